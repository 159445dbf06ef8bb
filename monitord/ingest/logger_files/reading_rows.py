"""Rows of a logger's file to readings; every mistake is collected, with its line and what to do. Pure."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from pydantic import ValidationError

from monitord.errors import ConfigurationError, PhysicsRangeError
from monitord.ingest.decoding.mapping import UNITS
from monitord.ingest.logger_files.column_mapping import ColumnMapping, ProbeColumns, Times
from monitord.model.readings import Reading
from monitord.physics.moist_air import relative_humidity, saturation_vapour_pressure

_DEW_POINT = "dew_point_c"


@dataclass(frozen=True)
class Mistake:
    """Something in one line that can't be taken as it is."""

    line: int
    what: str
    remedy: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.what}. {self.remedy}"


@dataclass
class LoggerFile:
    """What a file holds."""

    readings: list[Reading] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)
    without_value: int = 0
    """Rows of a probe without a temperature or without a humidity: nothing was measured."""


def read_rows(text: str, mapping: ColumnMapping, received_at: datetime) -> LoggerFile:
    """Every reading of a file.

    Raises
    ------
    ConfigurationError : the columns that the mapping names are not there.
    """
    found, zone = LoggerFile(), _Zone(mapping.time)
    for line, row in _rows(text, mapping):
        if row is None:
            found.mistakes.append(
                Mistake(line, "it has fewer columns than the titles", "Take the line out, or complete it")
            )
            continue
        try:
            time = zone.read(" ".join(row[name].strip() for name in mapping.time.columns), line)
        except _LineError as error:
            found.mistakes.append(error.mistake)
            continue
        for probe in mapping.probes:
            _take(found, line, row, probe, mapping, time, received_at)
    return found


def _rows(text: str, mapping: ColumnMapping) -> Iterator[tuple[int, dict[str, str] | None]]:
    """Number of the line and the row by title; None: it is too short. Empty lines are passed over."""
    lines = text.splitlines()
    table = csv.reader(lines[mapping.skip_lines :], delimiter=mapping.delimiter)
    titles = [title.strip() for title in next(table, [])]
    _need_columns(titles, mapping)
    for cells in table:
        if any(cell.strip() for cell in cells):
            line = mapping.skip_lines + table.line_num
            yield line, dict(zip(titles, cells, strict=False)) if len(cells) >= len(titles) else None


def _need_columns(titles: Sequence[str], mapping: ColumnMapping) -> None:
    wanted = list(mapping.time.columns)
    for probe in mapping.probes:
        wanted += [column.column for column in probe.quantities.values()]
        wanted += [probe.id_column] if probe.id_column else []
    missing = sorted({name for name in wanted if name not in titles})
    if missing:
        raise ConfigurationError(
            f"the file has no column {', '.join(map(repr, missing))}",
            where=f"line {mapping.skip_lines + 1}",
            why=f"its titles are {', '.join(map(repr, titles)) or '(none)'}",
            remedy="Correct the titles, `skip_lines` or `delimiter` in the mapping",
        )
    twice = sorted({name for name in wanted if titles.count(name) > 1})
    if twice:
        raise ConfigurationError(
            f"the title {twice[0]!r} stands over two columns", remedy="Give each its own title in the file"
        )


def _take(
    found: LoggerFile,
    line: int,
    row: dict[str, str],
    probe: ProbeColumns,
    mapping: ColumnMapping,
    time: datetime,
    received_at: datetime,
) -> None:
    """Add the reading of one probe in one row."""
    values: dict[str, float] = {}
    try:
        for name, column in probe.quantities.items():
            number = _number(row[column.column].strip(), column.column, mapping, line)
            if number is not None:
                values[name] = UNITS["temperature_c" if name == _DEW_POINT else name][column.unit](number)
        humidity = "relative_humidity_pct" if probe.dew_point_c is None else _DEW_POINT
        if "temperature_c" not in values or humidity not in values:
            found.without_value += 1
            return
        if _DEW_POINT in values:
            values["relative_humidity_pct"] = _humidity(values["temperature_c"], values.pop(_DEW_POINT), line)
        if time > received_at:
            raise _LineError(
                line, f"its time {time:%Y-%m-%dT%H:%M:%SZ} lies ahead", "Correct `time.form` or `time.zone`"
            )
        name = probe.id or row[str(probe.id_column)].strip()
        found.readings.append(
            Reading.model_validate({"probe": name, "time": time, "received_at": received_at, **values})
        )
    except _LineError as error:
        found.mistakes.append(error.mistake)
    except ValidationError as error:
        what = error.errors()[0]
        where = ".".join(str(part) for part in what["loc"])
        found.mistakes.append(Mistake(line, f"{where} {what['input']!r} can't be taken", "Correct the line"))


def _number(text: str, column: str, mapping: ColumnMapping, line: int) -> float | None:
    """A value as it stands; None: nothing was measured."""
    if text in mapping.missing:
        return None
    plain = text.replace(",", ".") if mapping.decimal == "," and "." not in text else text
    try:
        number = float(plain)
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or "_" in text:
        remedy = "Correct it; what stands for no value belongs into `missing`, the decimal sign into `decimal`"
        raise _LineError(line, f"{column!r} holds {text!r}, which is no number", remedy)
    return number


def _humidity(temperature_c: float, dew_point_c: float, line: int) -> float:
    """Relative humidity over water of air with a dew point over water (WMO-No. 8). [% RH]"""
    try:
        return float(relative_humidity(temperature_c, saturation_vapour_pressure(dew_point_c, "water")))
    except PhysicsRangeError as error:
        raise _LineError(line, f"no humidity follows from these: {error.what}", "Correct the units") from None


class _LineError(Exception):
    def __init__(self, line: int, what: str, remedy: str) -> None:
        super().__init__(what)
        self.mistake = Mistake(line, what, remedy)


class _Zone:
    """Reads times; of an hour that comes twice in autumn the second is known by the rows before it."""

    def __init__(self, times: Times) -> None:
        self._times, self._zone = times, times.zone_info()
        self._last: datetime | None = None
        self._second = False

    def read(self, text: str, line: int) -> datetime:
        """The time in UTC."""
        local = self._parse(text, line)
        if local.tzinfo is not None:
            return local.astimezone(UTC)
        first, second = (local.replace(tzinfo=self._zone, fold=fold) for fold in (0, 1))
        twice = first.utcoffset() != second.utcoffset()
        there = first.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None) == local
        if twice and not there:
            remedy = "Its clock does not keep summer time: give its fixed offset, such as +01:00, as `time.zone`"
            raise _LineError(line, f"{text!r} does not exist in {self._times.zone}", remedy)
        if not twice:
            self._second = False
        elif self._last is not None and local < self._last:
            self._second = True
        self._last = local
        return (second if twice and self._second else first).astimezone(UTC)

    def _parse(self, text: str, line: int) -> datetime:
        form = self._times.form
        try:
            if form == "iso":
                return datetime.fromisoformat(text)
            if form == "unix_s":
                return datetime.fromtimestamp(float(text), UTC)
            return datetime.strptime(text, form)  # noqa: DTZ007 - the zone is the mapping's
        except (ValueError, OverflowError, OSError):
            remedy = "Correct the line, or `time.form` and `time.columns` in the mapping"
            raise _LineError(line, f"{text!r} is no time as {form}", remedy) from None
