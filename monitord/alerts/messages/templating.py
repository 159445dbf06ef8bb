"""Numbers, times and words of one language, for the templates."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from datetime import datetime
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import jinja2

from monitord.alerts.lifecycle.transitions import SHARES
from monitord.errors import ConfigurationError

_OWN = Path(__file__).parent / "templates"
_FALLBACK = "en"
_REMEDY = "Correct that file of the firm's own templates, or remove it to use the one that comes with the program"


class Templates:
    """The words and templates of one language: the firm's own first, then the program's, then English."""

    def __init__(self, language: str = _FALLBACK, templates_dir: Path | None = None) -> None:
        self.language = language
        roots = [templates_dir] if templates_dir is not None else []
        self._folders = [
            folder
            for name in dict.fromkeys((language, language.split("-", maxsplit=1)[0], _FALLBACK))
            for folder in (root / name for root in (*roots, _OWN))
            if folder.is_dir()
        ]

    @cached_property
    def words(self) -> Mapping[str, Mapping[str, Any]]:
        """The tables of `words.toml`.

        Raises
        ------
        ConfigurationError : a firm's own file is not TOML.
        """
        tables: dict[str, dict[str, Any]] = {}
        for folder in reversed(self._folders):
            path = folder / "words.toml"
            if path.is_file():
                for name, table in _read(path).items():
                    tables.setdefault(name, {}).update(table)
        return tables

    @cached_property
    def _environment(self) -> jinja2.Environment:
        environment = jinja2.Environment(
            loader=jinja2.FileSystemLoader(self._folders),
            autoescape=lambda name: name is not None and ".html" in name,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=False,
        )
        environment.globals["w"] = self.words
        return environment

    def render(self, template: str, **values: object) -> str:
        """A template filled in.

        Raises
        ------
        ConfigurationError : a firm's own template does not work.
        """
        try:
            return self._environment.get_template(template).render(**values).strip() + "\n"
        except jinja2.TemplateError as error:
            name = getattr(error, "filename", None) or template
            raise ConfigurationError(
                "a message template does not work", where=str(name), why=str(error), remedy=_REMEDY
            ) from error

    def kind(self, kind: str) -> str:
        """A kind of alert in words."""
        return str(self.words["kinds"].get(kind, kind.replace("_", " ")))

    def when(self, moment: datetime, zone: ZoneInfo, form: str = "format") -> str:
        """A moment in local time, with the abbreviation of its zone."""
        at = moment.astimezone(zone)
        table = self.words["time"]
        return str(table[form]).format(
            day=table["days"][at.weekday()],
            date=at.day,
            month=table["months"][at.month - 1],
            year=at.year,
            hour=f"{at.hour:02}",
            minute=f"{at.minute:02}",
            zone=at.tzname(),
        )

    def span(self, seconds: float) -> str:
        """A length of time, rounded to what matters."""
        table = self.words["span"]
        for name, unit in (("days", 86_400.0), ("hours", 3600.0)):
            if seconds >= 2 * unit:
                return str(table[name]).format(n=round(seconds / unit))
        return str(table["minutes"]).format(n=max(1, round(seconds / 60)))

    def share(self, value: float) -> str:
        """A probability as a percentage that never claims certainty."""
        if value > 0.99:
            return "> 99 %"
        if value < 0.01:
            return "< 1 %"
        return f"{100 * value:.0f} %"

    def value(self, value: float | None, unit: str, u: float | None = None) -> str:
        """A value with its unit and its doubt.

        The doubt is twice the standard uncertainty (about 95 %; JCGM 100:2008, 6.3.3), rounded to two digits if
        it begins with 1, else to one; the value is rounded to the same place.
        """
        if value is None:
            return "?"
        if unit in SHARES:
            return self.share(value)
        uncertainty = 2 * u if u else 0.0
        digits = _digits(uncertainty) if uncertainty > 0 else _digits_of_bare(value)
        text = f"{value:.{digits}f}"
        if uncertainty > 0:
            text += f" ± {uncertainty:.{digits}f}"
        return f"{text.replace('.', str(self.words['number']['decimal']))} {unit}".strip()


@lru_cache(maxsize=32)
def templates_of(language: str, templates_dir: Path | None) -> Templates:
    """The wording of a language, read once."""
    return Templates(language, templates_dir)


def _digits(uncertainty: float) -> int:
    exponent = math.floor(math.log10(uncertainty))
    leading = uncertainty / 10**exponent
    return max(0, -exponent + (1 if leading < 1.95 else 0))


def _digits_of_bare(value: float) -> int:
    return 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2


def _read(path: Path) -> dict[str, dict[str, Any]]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError("can't be read as TOML", where=str(path), why=str(error), remedy=_REMEDY) from error
