"""Readings as arrays: what the analysis reads.

Times are POSIX seconds (UTC) as float64, ascending. A missing optional value is NaN. An hour is named by its
start and holds the readings stamped from its start up to, not including, the next hour's start.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitord.model.jobs import Placement

Array = NDArray[np.float64]

HOUR_S = 3600.0


def _none() -> Array:
    return np.empty(0, dtype=np.float64)


@dataclass(frozen=True)
class Series:
    """Raw readings of one stay, in order of time, each (n,)."""

    time_s: Array = field(default_factory=_none)
    temperature_c: Array = field(default_factory=_none)
    relative_humidity_pct: Array = field(default_factory=_none)
    surface_temperature_c: Array = field(default_factory=_none)
    battery_v: Array = field(default_factory=_none)
    received_s: Array = field(default_factory=_none)

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True)
class Hourly:
    """Roll-ups of raw readings by clock hour (UTC), each (n,); hours without readings are absent.

    The centre is the median, so that a lone spike in an hour does not move it.
    """

    hour_s: Array = field(default_factory=_none)
    count: Array = field(default_factory=_none)
    temperature_c: Array = field(default_factory=_none)
    relative_humidity_pct: Array = field(default_factory=_none)
    surface_temperature_c: Array = field(default_factory=_none)
    temperature_min_c: Array = field(default_factory=_none)
    temperature_max_c: Array = field(default_factory=_none)
    relative_humidity_min_pct: Array = field(default_factory=_none)
    relative_humidity_max_pct: Array = field(default_factory=_none)

    def __len__(self) -> int:
        return len(self.hour_s)


def roll_up(series: Series) -> Hourly:
    """Roll readings up by hour.

    The result depends only on the set of readings, not on the order in which they arrived.
    """
    if not len(series):
        return Hourly()
    hours = np.floor(series.time_s / HOUR_S) * HOUR_S
    starts = np.flatnonzero(np.r_[True, hours[1:] != hours[:-1]])
    ends = np.r_[starts[1:], len(hours)]
    columns = np.empty((9, len(starts)))
    columns[0] = hours[starts]
    columns[1] = ends - starts
    t, rh, surface = series.temperature_c, series.relative_humidity_pct, series.surface_temperature_c
    for i, (a, b) in enumerate(zip(starts, ends, strict=True)):
        columns[2, i] = np.median(t[a:b])
        columns[3, i] = np.median(rh[a:b])
        touched = surface[a:b][~np.isnan(surface[a:b])]
        columns[4, i] = np.median(touched) if len(touched) else np.nan
    columns[5] = np.minimum.reduceat(t, starts)
    columns[6] = np.maximum.reduceat(t, starts)
    columns[7] = np.minimum.reduceat(rh, starts)
    columns[8] = np.maximum.reduceat(rh, starts)
    return Hourly(*columns)


@dataclass(frozen=True)
class StayRecord:
    """What is known of one stay as of a time: the last days raw, the whole stay by hour."""

    placement: Placement
    recent: Series
    hourly: Hourly
    last_heard_s: float | None
    """Stamp of the newest live reading (one that was not replayed as a retained message). [s]"""


@dataclass(frozen=True)
class JobRecord:
    """What is known of a job as of a time: one record for each stay, in the job file's order."""

    stays: tuple[StayRecord, ...]

    def at(self, location_id: str) -> tuple[StayRecord, ...]:
        """The records of the stays at a location, in order of time."""
        found = [s for s in self.stays if s.placement.location_id == location_id]
        return tuple(sorted(found, key=lambda s: (s.placement.from_time, s.placement.probe)))
