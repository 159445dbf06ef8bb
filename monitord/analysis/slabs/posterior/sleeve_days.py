"""A sleeve's record as days on a fixed schedule: what drives the slab, and what its probe read.

A day ends at an hour that is the location's own, so that the work of many sleeves is spread over a day. Each row is a
function of the hours up to its end, so a late reading changes its own day, and those that hold on to its value.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from zlib import crc32

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.slabs.equilibration import reopenings
from monitord.analysis.slabs.posterior.forward_model import Air, Grid, grid_of
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.model.jobs import Location
from monitord.model.series import HOUR_S, Array

DAY_H = 24


@dataclass(frozen=True)
class SleeveDays:
    """A sleeve by day, oldest first; each (days,) or (days, 2) for the two halves of a day."""

    end_s: Array
    """End of each day. [s]"""
    reading_pct: Array
    """Day's mean of the sleeve's humidity; NaN where it does not count. [% RH]"""
    sleeve_c: Array
    room_c: Array
    vapour_pressure_pa: Array
    """Of the air over the slab; NaN in all where nobody measures it."""
    since_sealed_h: Array
    """From sealing to the day's beginning. [h]"""
    first_reading_pct: float
    """First reading after sealing, from which the sleeve's air approaches the concrete's. [% RH]"""
    u_reading_pct: float
    """Standard uncertainty of the sleeve's probe, taken as a constant offset. [% RH]"""
    u_air_pct: float
    """The same of the probe in the air."""

    def __len__(self) -> int:
        return len(self.end_s)

    @cached_property
    def rows(self) -> Array:
        """All that the verdict of a day rests on, (days, columns): equal rows, equal verdict."""
        columns = (self.end_s, self.reading_pct, self.since_sealed_h)
        constant = (self.first_reading_pct, self.u_reading_pct, self.u_air_pct)
        return np.column_stack(
            [*columns, self.sleeve_c, self.room_c, self.vapour_pressure_pa, *(np.full(len(self), x) for x in constant)]
        )

    @property
    def day_c(self) -> Array:
        """Mean temperature of the sleeve in each day. [°C]"""
        return np.asarray(self.sleeve_c.mean(axis=1))

    def until(self, count: int) -> SleeveDays:
        """The first so many days."""
        by_day = ("end_s", "reading_pct", "sleeve_c", "room_c", "vapour_pressure_pa", "since_sealed_h")
        return replace(self, **{name: getattr(self, name)[:count] for name in by_day})

    def air(self, first: int, last: int) -> list[tuple[Air, Air]]:
        """What drives the half-day steps from day `first` up to, not including, `last`."""
        u = self.u_air_pct / 100.0

        def half(day: int, part: int) -> Air:
            pressure, room, sleeve = (
                float(x[day, part]) for x in (self.vapour_pressure_pa, self.room_c, self.sleeve_c)
            )
            return Air(pressure, room, sleeve, u)

        return [(half(day, 0), half(day, 1)) for day in range(first, last)]


def day_phase_h(location: Location) -> int:
    """Hour (UTC) at which a location's days end: one of four, by its id."""
    return POSTERIOR.phase_h * (crc32(location.id.encode()) % POSTERIOR.phases)


def slab_grid(location: Location) -> Grid:
    """The cells of a slab. An unknown thickness is 2.5 times the depth, an unknown depth 40 mm (our choice)."""
    thickness = location.slab_thickness_mm or POSTERIOR.thickness_per_depth * (
        location.depth_mm or POSTERIOR.unknown_depth_mm
    )
    drying = thickness / (location.drying_sides or 1)
    depth = min(location.depth_mm or thickness / POSTERIOR.thickness_per_depth, thickness)
    return grid_of(drying / 1000.0, (depth if depth <= drying else thickness - depth) / 1000.0)


def sleeve_days(series: HourlySeries, references: ReferenceSeries, sealed_s: float) -> SleeveDays | None:
    """The whole days of a sleeve's record; None while there is none after sealing."""
    air = references.air
    known = np.isfinite(series.relative_humidity_pct)
    if not known.any():
        return None
    air_known = np.zeros(len(series), dtype=bool) if air is None else np.isfinite(air.vapour_pressure_pa)
    first_s = max(
        float(series.hour_s[np.argmax(known | air_known)]), sealed_s - POSTERIOR.days_before_sealing * DAY_H * HOUR_S
    )
    hour = np.round(series.hour_s / HOUR_S).astype(np.int64)
    begin = int(np.searchsorted(series.hour_s, first_s))
    begin += int((day_phase_h(series.location) - hour[begin]) % DAY_H)  # whole days only
    days = (len(series) - begin) // DAY_H
    if days < 1:
        return None
    part = slice(begin, begin + days * DAY_H)
    end_s = series.hour_s[part].reshape(days, DAY_H)[:, -1] + HOUR_S
    since = (end_s - sealed_s) / HOUR_S - DAY_H
    after = np.flatnonzero(known & (series.hour_s >= sealed_s))
    if not len(after):
        return None
    reading = np.where(known, series.relative_humidity_pct, np.nan)[part].reshape(days, DAY_H)
    enough = np.isfinite(reading).sum(axis=1) >= POSTERIOR.min_day_h
    mean = np.full(days, np.nan)
    mean[enough] = np.nanmean(reading[enough], axis=1)
    mean[since < POSTERIOR.first_after_h] = np.nan
    _leave_out_open(mean, end_s, reopenings(series, sealed_s, references.room))
    room_c, pressure = _air_of(series, air)
    sleeve_c = np.where(np.isfinite(series.temperature_c), series.temperature_c, room_c)
    sleeve_c, room_c = (
        _held(sleeve_c, POSTERIOR.no_reading_c),
        _held(np.where(np.isfinite(room_c), room_c, sleeve_c), None),
    )
    return SleeveDays(
        end_s,
        mean,
        _halves(sleeve_c[part]),
        _halves(room_c[part]),
        _halves(pressure[part]),
        since,
        float(series.relative_humidity_pct[after[0]]),
        series.uncertainty.relative_humidity_pct,
        0.0 if air is None else air.uncertainty.relative_humidity_pct,
    )


def _air_of(series: HourlySeries, air: HourlySeries | None) -> tuple[Array, Array]:
    """Temperature [°C] and vapour pressure [Pa] of the air by hour, held over gaps; NaN throughout where none is."""
    if air is None:
        nothing = np.full(len(series), np.nan)
        return series.temperature_c, nothing
    low, high = POSTERIOR.min_air_pct, POSTERIOR.max_air_pct
    good = (air.relative_humidity_pct > low) & (air.relative_humidity_pct < high)
    return air.temperature_c, _held(np.where(good, air.vapour_pressure_pa, np.nan), None)


def _held(values: Array, default: float | None) -> Array:
    """Values with gaps filled by the last known one, and by the first known one before it."""
    known = np.isfinite(values)
    if not known.any():
        return values if default is None else np.full(len(values), default)
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return np.asarray(values[np.where(at < 0, int(np.argmax(known)), at)])


def _halves(values: Array) -> Array:
    return np.asarray(values.reshape(-1, 2, DAY_H // 2).mean(axis=2))


def _leave_out_open(mean: Array, end_s: Array, opened_s: list[float]) -> None:
    """Take out the days about each re-opening, and those since a fall that no sealed sleeve makes."""
    for at in opened_s:
        begin, end = at - POSTERIOR.open_before_h * HOUR_S, at + POSTERIOR.open_after_h * HOUR_S
        mean[(end_s > begin) & (end_s - DAY_H * HOUR_S < end)] = np.nan
    level, back = np.nan, 0.0
    for day, value in enumerate(mean):
        if np.isfinite(value) and np.isfinite(level) and value < level - POSTERIOR.open_fall_pct:
            mean[day], back = np.nan, end_s[day]
        elif end_s[day] < back + POSTERIOR.open_after_h * HOUR_S:
            mean[day] = np.nan
        elif np.isfinite(value):
            level = value
