"""A draft of a mapping from a file's first lines: what can be seen is filled in, what can't is asked for. Pure."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Sequence
from datetime import datetime

from monitord.errors import ConfigurationError

_LOOKED_AT = 200
"""Lines that the draft is made from. Our choice."""
_DELIMITERS = (";", "\t", ",", "|")
_FORMS = (
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%d %H:%M",
    "%Y/%m/%d %H:%M:%S",
    "%Y/%m/%d %H:%M",
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%d.%m.%y %H:%M",
    "%d/%m/%Y %H:%M:%S",
    "%d/%m/%Y %H:%M",
    "%m/%d/%Y %H:%M:%S",
    "%m/%d/%Y %H:%M",
    "%m/%d/%y %H:%M:%S",
    "%d/%m/%y %H:%M:%S",
    "%m/%d/%Y %I:%M:%S %p",
    "%d-%m-%Y %H:%M:%S",
)
_QUANTITIES = {
    "dew_point_c": r"dew|taupunkt|rosee|rugiada",
    "surface_temperature_c": r"surface|oberfl|wall temp",
    "battery_v": r"batt|akku",
    "pressure_hpa": r"press|druck|baro",
    "relative_humidity_pct": r"humid|feucht|\brh\b|r\.?h\.?|%|humedad|humidit",
    "temperature_c": r"temp|°|\bt\b|celsius|fahrenheit",
}
"""What a title is taken for, the first that fits."""


def propose(text: str, name: str) -> str:
    """The draft, as TOML with comments.

    Parameters
    ----------
    name : of the file without its ending: the draft's id of the probe.

    Raises
    ------
    ConfigurationError : no line of titles with numbers below it is there.
    """
    lines = text.splitlines()[:_LOOKED_AT]
    delimiter, start, titles, rows = _table(lines)
    times, forms, with_offset = _times(titles, rows)
    found = _quantities(titles, [title for title in titles if title not in times])
    numbers = [row[titles.index(title)] for row in rows for title in found.values()]
    draft = [
        "# A draft: look at every line of it, fill in what is asked for, then",
        "#   monitord import FILE --mapping THIS_FILE --check",
        "format = 1",
        f"delimiter = {_quoted(delimiter)}",
        f'decimal = "{"," if delimiter != "," and any("," in number for number in numbers) else "."}"',
        f"skip_lines = {start}",
        "",
        "[time]",
        f"columns = [{', '.join(map(_quoted, times))}]",
        *_form_lines(forms),
    ]
    if not with_offset:
        draft.append(
            '# zone = "Europe/Berlin"   # the zone of the logger\'s clock, or its fixed offset such as "+01:00"'
        )
        draft.append('zone = ""   # FILL IN')
    draft += ["", "[[probes]]", f"id = {_quoted(re.sub(r'[^A-Za-z0-9._-]+', '-', name).strip('-') or 'probe')}"]
    for quantity, title in found.items():
        draft.append(f"{quantity} = {{ column = {_quoted(title)}, unit = {_quoted(_unit(quantity, title))} }}")
    for needed in ("temperature_c", "relative_humidity_pct"):
        if needed not in found and not (needed == "relative_humidity_pct" and "dew_point_c" in found):
            draft.append(f'# {needed} = {{ column = "...", unit = "..." }}   # FILL IN: no title looks like it')
    left = [title for title in titles if title not in times and title not in found.values()]
    if left:
        draft.append(f"# not used: {', '.join(map(_quoted, left))}")
    return "\n".join(draft) + "\n"


def _form_lines(forms: Sequence[str]) -> list[str]:
    if len(forms) == 1:
        return [f"form = {_quoted(forms[0])}"]
    if not forms:
        return ['form = ""   # FILL IN: such as "%d.%m.%Y %H:%M:%S"; the times fit no form that is known here']
    choice = [f"# form = {_quoted(form)}" for form in forms]
    return ["# several forms fit every line; choose by a date that you know:", *choice, 'form = ""   # FILL IN']


def _table(lines: Sequence[str]) -> tuple[str, int, list[str], list[list[str]]]:
    """Delimiter, number of lines before the titles, titles, and the rows below."""
    best: tuple[int, int, str, int] | None = None
    for delimiter in _DELIMITERS:
        cells = list(csv.reader(lines, delimiter=delimiter))
        for start in range(len(cells) - 1):
            width, below = len(cells[start]), cells[start + 1]
            titled = width > 1 and not any(re.match(r"\s*[-+]?\d", cell) for cell in cells[start])
            if titled and len(below) >= width and any(re.search(r"\d", cell) for cell in below):
                full = sum(len(row) >= width for row in cells[start + 1 :])
                if best is None or (full, width) > best[:2]:
                    best = (full, width, delimiter, start)
                break
    if best is None:
        raise ConfigurationError(
            "no line of titles with values below it was found",
            remedy="Write the mapping by hand: monitord/ingest/logger_files/IMPORT.md has one to begin from",
        )
    *_, delimiter, start = best
    titles, *rows = list(csv.reader(lines[start:], delimiter=delimiter))
    return delimiter, start, [title.strip() for title in titles], [row for row in rows if len(row) >= len(titles)]


def _times(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[list[str], list[str], bool]:
    """Columns of the time, the forms that fit every row, and whether the times have offsets."""
    for columns in [[i] for i in range(len(titles))] + [[i, i + 1] for i in range(len(titles) - 1)]:
        texts = [" ".join(row[i].strip() for i in columns) for row in rows]
        isos = [_fits(text, datetime.fromisoformat) for text in texts]
        if texts and all(iso is not None and len(text) > 10 for iso, text in zip(isos, texts, strict=True)):
            return [titles[i] for i in columns], ["iso"], all(iso is not None and iso.tzinfo for iso in isos)
        forms = [form for form in _FORMS if texts and all(_fits(text, _reader(form)) for text in texts)]
        if forms:
            return [titles[i] for i in columns], forms, False
    likely = [title for title in titles if re.search(r"time|date|zeit|datum|fecha|heure", title, re.IGNORECASE)]
    return likely[:2] or [titles[0]], [], False


def _reader(form: str) -> Callable[[str], datetime]:
    return lambda text: datetime.strptime(text, form)  # noqa: DTZ007 - only whether it fits is asked


def _fits(text: str, read: Callable[[str], datetime]) -> datetime | None:
    try:
        return read(text)
    except ValueError:
        return None


def _quantities(titles: Sequence[str], free: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for title in free:
        if titles.count(title) > 1:
            continue
        for quantity, pattern in _QUANTITIES.items():
            if quantity not in found and re.search(pattern, title, re.IGNORECASE):
                found[quantity] = title
                break
    if "relative_humidity_pct" in found:
        found.pop("dew_point_c", None)
    return found


def _unit(quantity: str, title: str) -> str:
    """What the title says; else the usual one."""
    if quantity in ("temperature_c", "surface_temperature_c", "dew_point_c"):
        return "F" if re.search(r"°\s*f|\(f\)|fahrenheit|\bf\b", title, re.IGNORECASE) else "C"
    if quantity == "battery_v":
        return "mV" if "mv" in title.lower() else "V"
    return "%" if quantity == "relative_humidity_pct" else "hPa"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return f'"{escaped}"'
