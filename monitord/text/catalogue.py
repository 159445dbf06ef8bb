"""The languages of the catalogue: English in the code, others as gettext files in `locale`.

A message is written in British English with named slots, `{value}, goal {goal}`; its English text is its key. A
translation is a `.po` file read as it is, so a firm can put its own beside its templates and change a word without a
compiler. A reader of US units reads the same English with the words and the spelling of the United States.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from string import Formatter

from babel import Locale, UnknownLocaleError
from babel.messages.pofile import PoFileError, read_po
from babel.numbers import get_decimal_symbol

from monitord.errors import ConfigurationError
from monitord.model.units import Units

LOCALES = Path(__file__).parent / "locale"
"""A file for each language but English, which is the language of the keys."""

FALLBACK = "en"
AMERICAN = "en-US"

_AMERICAN = {
    "vapour": "vapor",
    "mould": "mold",
    "plasterboard": "drywall",
    "subfloor void": "crawlspace",
    "void under a floor": "crawlspace",
    "void under the floor": "crawlspace",
    "floor void": "crawlspace",
    "if its board is wet": "if its panel is wet",
    "consumer unit": "panel",
    "fibre": "fiber",
    "colour": "color",
    "metre": "meter",
    "grey": "gray",
    "judgement": "judgment",
    "neighbour": "neighbor",
    "modelled": "modeled",
    "labelled": "labeled",
}
"""Words of the trade and spellings that differ in the United States."""

_BRITISH = re.compile(r"\{\w*\}|\b(?:" + "|".join(sorted(_AMERICAN, key=len, reverse=True)) + ")", re.IGNORECASE)


class Language:
    """One language: translations, names of days and months, and the decimal sign."""

    def __init__(self, name: str = FALLBACK, own: Path | None = None) -> None:
        """`own` : a folder of the firm with files such as `de.po`, whose translations come first."""
        self.name = name
        try:
            locale = Locale.parse(name, sep="-")
        except (ValueError, UnknownLocaleError):
            locale = Locale.parse(FALLBACK)
        self.decimal = get_decimal_symbol(locale)
        self._american = (locale.language, locale.territory) == (FALLBACK, "US")
        self._days = [locale.days["format"]["abbreviated"][k].rstrip(".") for k in range(7)]
        months = [locale.months["format"]["abbreviated"][k] for k in range(1, 13)]
        self._months = [month.rstrip(".") for month in months] if locale.language == FALLBACK else months
        self._texts = _translations(locale.language, own)

    def text(self, message: str) -> str:
        """A message in this language; English where there is no translation."""
        text = self._texts.get(message, message)
        return american(text) if self._american else text

    def day(self, weekday: int) -> str:
        """Short name of a day, 0 being Monday."""
        return str(self._days[weekday])

    def month(self, month: int) -> str:
        """Short name of a month, 1 to 12."""
        return str(self._months[month - 1])

    @property
    def translated(self) -> frozenset[str]:
        """The messages that it has a translation of."""
        return frozenset(self._texts)


@lru_cache(maxsize=32)
def language(name: str = FALLBACK, own: Path | None = None) -> Language:
    """A language, read once; an unknown one is English with that language's own decimal sign and names."""
    return Language(name, own)


def reader_language(name: str, units: Units) -> str:
    """What a reader's language is called: English with US units is that of the United States."""
    return AMERICAN if units is Units.US and name.split("-", maxsplit=1)[0] == FALLBACK else name


@lru_cache(maxsize=4096)
def american(text: str) -> str:
    """British English as it is said in the United States; the names of slots stay."""
    return _BRITISH.sub(_replaced, text)


def _replaced(match: re.Match[str]) -> str:
    found = match.group()
    said = _AMERICAN.get(found.lower(), found)
    return said[:1].upper() + said[1:] if found[:1].isupper() else said


def languages() -> tuple[str, ...]:
    """The languages that come with the program, English first."""
    return (FALLBACK, *sorted(path.stem for path in LOCALES.glob("*.po")))


def slots_of(message: str) -> frozenset[str]:
    """The names of a message's slots."""
    return frozenset(name for _, name, _, _ in Formatter().parse(message) if name)


def _translations(name: str, own: Path | None) -> Mapping[str, str]:
    found: dict[str, str] = {}
    for folder in (LOCALES, own):
        path = None if folder is None else folder / f"{name}.po"
        if path is not None and path.is_file():
            found |= _read(path, name)
    return found


def _read(path: Path, name: str) -> dict[str, str]:
    try:
        with path.open("rb") as file:
            catalog = read_po(file, locale=name, abort_invalid=True)
    except (OSError, PoFileError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            "the translation can't be read", where=str(path), why=str(error), remedy="Correct that file or remove it"
        ) from error
    texts = {str(m.id): str(m.string) for m in catalog if m.id and m.string and not m.fuzzy}
    for key, text in texts.items():
        if not slots_of(text) <= slots_of(key):
            wrong = ", ".join(sorted(slots_of(text) - slots_of(key)))
            raise ConfigurationError(
                f"the translation of {key!r} has slots that it may not have: {wrong}",
                where=str(path),
                remedy="Use only slots of the English text",
            )
    return texts
