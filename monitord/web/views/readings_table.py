"""Readings of a location as a table, page by page from the newest, and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta

import numpy as np
from sqlalchemy import Connection

from monitord.analysis.surfaces.derived import Derived, derived_series, wet_bulbs
from monitord.model.assessments import LocationAssessment, QualityFlag
from monitord.model.jobs import JobFile, Location, Placement
from monitord.model.quantity import Quantity
from monitord.model.series import Array, Series
from monitord.model.units import Units, quantity_in, unit_in, value_in
from monitord.store.db.database import Database
from monitord.store.series.readings import load_series
from monitord.text.faults import fault_sentence
from monitord.web.kept import Kept
from monitord.web.queries import JobState
from monitord.web.text.formats import amount
from monitord.web.text.local_time import LocalTimes, iso
from monitord.web.text.words import english, speaker_of

ROWS = 48
_CHUNK = timedelta(days=7)


@dataclass(frozen=True)
class ReadingRow:
    """One reading, calibrated, as text."""

    time: datetime
    temperature: str
    humidity: str
    surface: str
    vapour_pressure: str
    dew_point: str
    reported: str
    """Temperature and humidity as the probe sent them."""
    out: str
    """Why it is excluded; empty where it is used."""


@dataclass(frozen=True)
class ReadingsPage:
    """Some readings, the newest first."""

    rows: tuple[ReadingRow, ...]
    older: datetime | None
    """The next page holds what is before this; None where there is no more."""
    is_newest: bool
    has_surface: bool
    calibrated: bool
    """Whether a correction was applied to any of them."""


_KEPT: Kept[ReadingsPage] = Kept(300)


def readings_page(
    conn: Connection,
    state: JobState,
    location: Location,
    assessed: LocationAssessment | None,
    before: datetime | None,
    times: LocalTimes,
    units: Units = Units.METRIC,
) -> ReadingsPage:
    """The readings just before a time; none given: the newest."""
    until = before - timedelta(milliseconds=1) if before is not None else state.now + timedelta(days=1)
    found = _newest_before(conn, state.job, location, until)
    flags = () if assessed is None else assessed.flags
    key = (state.job.job, location.id, None if before is None else until, units, english().name, times.year)
    made_of = (state.job, flags, tuple((placement, _content(series)) for placement, series in found))
    return _KEPT.of(key, made_of, lambda: _page(state.job, flags, found, before, times, units))


def _content(series: Series) -> bytes:
    return b"".join(getattr(series, item.name).tobytes() for item in fields(Series))


def _page(
    job: JobFile,
    flags: Sequence[QualityFlag],
    found: list[tuple[Placement, Series]],
    before: datetime | None,
    times: LocalTimes,
    units: Units,
) -> ReadingsPage:
    excluded = [(flag, fault_sentence(speaker_of(times), flag.why)) for flag in flags]
    rows = [row for placement, series in found for row in _rows(placement, series, job, excluded, units)]
    rows.sort(key=lambda row: row.time, reverse=True)
    more = len(rows) > ROWS
    rows = rows[:ROWS]
    probes = {placement.probe for placement, _ in found}
    return ReadingsPage(
        rows=tuple(rows),
        older=rows[-1].time if more else None,
        is_newest=before is None,
        has_surface=any(row.surface != "—" for row in rows),
        calibrated=any(check.probe in probes for check in job.calibrations),
    )


def _newest_before(
    conn: Connection, job: JobFile, location: Location, until: datetime
) -> list[tuple[Placement, Series]]:
    """Enough readings of the placements at a location before a time, from as little of the past as holds them."""
    placements = job.placements_at(location.id)
    first = min((placement.from_time for placement in placements), default=until)
    back = min((timedelta(seconds=placement.interval_s) * (ROWS + 2) for placement in placements), default=_CHUNK)
    while True:
        since = max(until - back, first)
        found = [(placement, load_series(conn, placement, since, until)) for placement in placements]
        if since <= first or sum(len(series) for _, series in found) > ROWS:
            return [(placement, series) for placement, series in found if len(series)]
        back = max(4 * back, _CHUNK)


def _rows(
    placement: Placement,
    series: Series,
    job: JobFile,
    excluded: list[tuple[QualityFlag, str]],
    units: Units,
) -> Iterator[ReadingRow]:
    last = slice(max(0, len(series) - ROWS - 1), None)
    values = derived_series(series, placement, job)

    def text(quantity: Array, u: Array | None, i: int, unit: str) -> str:
        if not np.isfinite(quantity[i]):
            return "—"
        known = u is not None and bool(np.isfinite(u[i]))
        read = quantity_in(
            Quantity(value=float(quantity[i]), unit=unit, u=float(u[i]) if u is not None and known else None), units
        )
        return amount(read)

    for i in range(len(series))[last]:
        time = datetime.fromtimestamp(float(series.time_s[i]), UTC)
        yield ReadingRow(
            time=time,
            temperature=text(values.temperature_c, None, i, "°C"),
            humidity=text(values.relative_humidity_pct, values.u_relative_humidity_pct, i, "%"),
            surface=text(values.surface_temperature_c, None, i, "°C"),
            vapour_pressure=text(values.vapour_pressure_pa, values.u_vapour_pressure_pa, i, "Pa"),
            dew_point=text(values.dew_point_c, values.u_dew_point_k, i, "°C"),
            reported=f"{text(series.temperature_c, None, i, '°C')}, {text(series.relative_humidity_pct, None, i, '%')}",
            out=_out(placement.probe, time, excluded),
        )


def _out(probe: str, time: datetime, excluded: list[tuple[QualityFlag, str]]) -> str:
    for flag, why in excluded:
        if flag.probe == probe and flag.start <= time and (flag.end is None or time < flag.end):
            return why
    return ""


@dataclass(frozen=True)
class _Column:
    """One column of numbers: its name as measured or computed, its unit, and its decimals (None: as it came)."""

    name: str
    unit: str
    decimals: int | None

    def header(self, units: Units) -> str:
        """`dew_point_c`; in other units `dew_point_f`."""
        return f"{self.name}_{_IN_NAMES[unit_in(self.unit, units)]}"

    def cell(self, value: float, units: Units) -> str:
        """A value as text; empty where it was not measured."""
        if not np.isfinite(value):
            return ""
        if unit_in(self.unit, units) == self.unit:
            return repr(value) if self.decimals is None else f"{value:.{self.decimals}f}"
        return f"{value_in(value, self.unit, units):.{_DECIMALS[unit_in(self.unit, units)]}f}"


_IN_NAMES = {"°C": "c", "%": "pct", "V": "v", "Pa": "pa", "g/kg": "g_kg", "°F": "f", "inHg": "inhg", "gr/lb": "gr_lb"}
"""Units as they stand in the names of columns."""
_DECIMALS = {"°F": 3, "inHg": 5, "gr/lb": 2}
"""Of converted values: finer than any probe."""

COLUMNS = (
    _Column("temperature_raw", "°C", None),
    _Column("relative_humidity_raw", "%", None),
    _Column("surface_temperature_raw", "°C", None),
    _Column("battery", "V", None),
    _Column("battery", "%", None),
    _Column("temperature", "°C", 3),
    _Column("relative_humidity", "%", 3),
    _Column("vapour_pressure", "Pa", 1),
    _Column("dew_point", "°C", 2),
    _Column("humidity_ratio", "g/kg", 3),
    _Column("wet_bulb", "°C", 2),
)
"""Raw values as they came; then calibrated ones and what follows from them."""


def csv_columns(units: Units) -> tuple[str, ...]:
    """The header: each column's name and unit."""
    return ("time_utc", "time_local", "probe", *(column.header(units) for column in COLUMNS))


def csv_lines(
    db: Database, job: JobFile, location: Location, start: datetime, end: datetime, units: Units = Units.METRIC
) -> Iterator[str]:
    """The readings of a location as CSV (RFC 4180), in order of time, one placement after the other.

    Each part has a transaction of its own, so that a slow reader holds none open.
    """
    yield _csv_row(csv_columns(units))
    for placement in job.placements_at(location.id):
        since, until = (
            max(start, placement.from_time),
            end if placement.to_time is None else min(end, placement.to_time),
        )
        while since < until:
            stop = min(since + _CHUNK, until)
            with db.read() as conn:
                series = load_series(conn, placement, since, stop - timedelta(milliseconds=1) if stop < until else stop)
            if len(series):
                yield _csv_block(series, derived_series(series, placement, job), placement, job, units)
            since = stop


def _csv_block(series: Series, values: Derived, placement: Placement, job: JobFile, units: Units) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    columns = (
        series.temperature_c,
        series.relative_humidity_pct,
        series.surface_temperature_c,
        series.battery_v,
        series.battery_pct,
        values.temperature_c,
        values.relative_humidity_pct,
        values.vapour_pressure_pa,
        values.dew_point_c,
        values.humidity_ratio_g_kg,
        wet_bulbs(values, placement, job),
    )
    for i, time_s in enumerate(series.time_s):
        time = datetime.fromtimestamp(float(time_s), UTC)
        local = time.astimezone(job.zone).isoformat(timespec="seconds")
        numbers = [known.cell(float(column[i]), units) for known, column in zip(COLUMNS, columns, strict=True)]
        writer.writerow([iso(time), local, _safe(placement.probe), *numbers])
    return out.getvalue()


def _csv_row(cells: tuple[str, ...]) -> str:
    out = io.StringIO()
    csv.writer(out).writerow(cells)
    return out.getvalue()


def _safe(text: str) -> str:
    """Text that a spreadsheet does not take for a formula."""
    return f"'{text}" if text[:1] in "=+-@\t\r" else text
