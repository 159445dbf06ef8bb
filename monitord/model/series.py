"""Readings as arrays: what the analysis reads.

Times are POSIX seconds (UTC) as float64, ascending. A missing optional value is NaN. An hour is named by its
start and holds the readings stamped from its start up to, not including, the next hour's start.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from monitord.model.jobs import Placement

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

HOUR_S = 3600.0

LATE_S = 1800.0
"""A reading that took longer than this to arrive came late. [s]"""


def _none() -> Array:
    return np.empty(0, dtype=np.float64)


@dataclass(frozen=True)
class Series:
    """Raw readings of one placement, in order of time, each (n,)."""

    time_s: Array = field(default_factory=_none)
    temperature_c: Array = field(default_factory=_none)
    relative_humidity_pct: Array = field(default_factory=_none)
    surface_temperature_c: Array = field(default_factory=_none)
    battery_v: Array = field(default_factory=_none)
    received_s: Array = field(default_factory=_none)
    battery_pct: Array = field(default_factory=_none)
    """Where it is not given: no probe reported one."""

    def __post_init__(self) -> None:
        """Fill in the level of batteries that nobody reported."""
        if len(self.battery_pct) != len(self.time_s):
            object.__setattr__(self, "battery_pct", np.full(len(self.time_s), np.nan))

    def __len__(self) -> int:
        return len(self.time_s)

    def at(self, which: Flags | slice) -> Series:
        """The same at some of the times."""
        return Series(
            self.time_s[which],
            self.temperature_c[which],
            self.relative_humidity_pct[which],
            self.surface_temperature_c[which],
            self.battery_v[which],
            self.received_s[which],
            self.battery_pct[which],
        )


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


def roll_up_by(key: Array, series: Series) -> Hourly:
    """Roll readings up by any ascending key, one for each reading, which then stands in `hour_s`.

    So the hours of many probes can be rolled up at once. The result depends only on the set of readings, not on the
    order in which they arrived. Missing values are left out; where all are missing, so is
    the result.
    """
    if not len(key):
        return Hourly()
    starts = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    counts = np.diff(np.r_[starts, len(key)])
    group = np.repeat(np.arange(len(starts)), counts)
    t, rh = series.temperature_c, series.relative_humidity_pct
    return Hourly(
        hour_s=key[starts],
        count=counts.astype(np.float64),
        temperature_c=_medians(t, group, len(starts)),
        relative_humidity_pct=_medians(rh, group, len(starts)),
        surface_temperature_c=_medians(series.surface_temperature_c, group, len(starts)),
        temperature_min_c=np.fmin.reduceat(t, starts),
        temperature_max_c=np.fmax.reduceat(t, starts),
        relative_humidity_min_pct=np.fmin.reduceat(rh, starts),
        relative_humidity_max_pct=np.fmax.reduceat(rh, starts),
    )


def _medians(values: Array, group: NDArray[np.intp], n: int) -> Array:
    """Median of the values that are there in each of `n` groups."""
    there = ~np.isnan(values)
    values, group = values[there], group[there]
    values = values[np.lexsort((values, group))]
    counts = np.bincount(group, minlength=n)
    starts = np.cumsum(counts) - counts
    medians = np.full(n, np.nan)
    some = counts > 0
    low = values[(starts + (counts - 1) // 2)[some]]
    high = values[(starts + counts // 2)[some]]
    medians[some] = (low + high) / 2
    return medians


@dataclass(frozen=True)
class PlacementRecord:
    """What is known of one placement as of a time: the last days raw, the whole placement by hour.

    Known is what had arrived by then. Stamps may lie ahead of that time (a clock that runs ahead).
    """

    placement: Placement
    recent: Series
    """Stamped within the last days, or stamped earlier but come late (`LATE_S`) and within the last days."""
    hourly: Hourly
    """The clock hours that were over by then."""
    last_seen_s: float | None
    """Stamp of the newest live reading (one that was not replayed as a retained message), or its arrival if that
    was earlier. [s]"""


@dataclass(frozen=True)
class JobRecord:
    """What is known of a job as of a time: one record for each placement, in the job file's order."""

    placements: tuple[PlacementRecord, ...]

    def at(self, location_id: str) -> tuple[PlacementRecord, ...]:
        """The records of the placements at a location, in order of time."""
        return self._by_location.get(location_id, ())

    @cached_property
    def _by_location(self) -> dict[str, tuple[PlacementRecord, ...]]:
        found: dict[str, list[PlacementRecord]] = {}
        for placement in sorted(self.placements, key=lambda s: (s.placement.from_time, s.placement.probe)):
            found.setdefault(placement.placement.location_id, []).append(placement)
        return {location: tuple(placements) for location, placements in found.items()}
