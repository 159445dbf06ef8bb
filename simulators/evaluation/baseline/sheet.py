"""The spreadsheet of the plain baseline: each location's readings as they came, and means over stretches of them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.model.jobs import GoalMetric, JobFile, Location, LocationKind
from monitord.physics.moist_air import dew_point, saturation_vapour_pressure
from monitord.physics.wood import equilibrium_moisture_content
from monitord.replay.parallel import Arrivals

Array = NDArray[np.float64]

HOUR_S, DAY_S = 3600.0, 86_400.0
_COLUMNS = {"temperature": 1, "humidity": 2, "surface": 3, "battery": 4}


@dataclass(frozen=True)
class Column:
    """The readings of one probe or location, by their own stamps."""

    rows: Array
    """(6, n): time, temperature, relative humidity, surface temperature, battery, received."""

    def of(self, from_s: float, at_s: float) -> Array:
        """The rows stamped after `from_s` and up to `at_s` that had arrived by then, (6, m)."""
        first, last = np.searchsorted(self.rows[0], (from_s, at_s), side="right")
        part = self.rows[:, first:last]
        return np.asarray(part[:, part[5] <= at_s])

    def mean(self, name: str, from_s: float, at_s: float) -> float:
        """Mean of a column; NaN where there is none."""
        values = self.of(from_s, at_s)[_COLUMNS[name]]
        values = values[np.isfinite(values)]
        return float(values.mean()) if len(values) else float("nan")


def columns(job: JobFile, arrivals: Arrivals) -> tuple[dict[str, Column], dict[str, Column]]:
    """The readings by location and by probe; those of no stay are left out."""
    by_location: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    by_probe: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    placements = defaultdict(list)
    for placement in job.probes:
        to_s = np.inf if placement.to_time is None else placement.to_time.timestamp()
        placements[placement.probe].append((placement.from_time.timestamp(), to_s, placement.location_id))
    for probe, row in zip(arrivals.probes, arrivals.rows, strict=True):
        by_probe[probe].append(row)
        for from_s, to_s, location in placements[probe]:
            if from_s <= row[0] < to_s:
                by_location[location].append(row)
    return _sorted(by_location), _sorted(by_probe)


def _sorted(kept: dict[str, list[tuple[float, ...]]]) -> dict[str, Column]:
    made = {}
    for key, rows in kept.items():
        table = np.array(rows).T
        made[key] = Column(table[:, np.argsort(table[0], kind="stable")])
    return made


class Sheet:
    """What the spreadsheet works out of the readings."""

    def __init__(self, job: JobFile, arrivals: Arrivals) -> None:
        self.job = job
        self._at, self.probes = columns(job, arrivals)
        self._empty = Column(np.empty((6, 0)))
        self._days: dict[tuple[str, float], float] = {}

    def column(self, location: str) -> Column:
        """The readings of a location."""
        return self._at.get(location, self._empty)

    def vapour_pressure(self, location: str, from_s: float, at_s: float) -> float:
        """From the means of temperature and humidity. [Pa]"""
        column = self.column(location)
        t, rh = column.mean("temperature", from_s, at_s), column.mean("humidity", from_s, at_s)
        if not np.isfinite(t) or not np.isfinite(rh):
            return float("nan")
        return float(saturation_vapour_pressure(t, "water")) * rh / 100.0

    def metric(self, location: Location, from_s: float, at_s: float) -> float:
        """A location's goal metric as the readings have it, without any cleaning."""
        column, goal = self.column(location.id), location.goal
        rh = column.mean("humidity", from_s, at_s)
        if goal is None or not np.isfinite(rh):
            return float("nan")
        if goal.metric is GoalMetric.TIMBER_MOISTURE:
            # what timber would hold in equilibrium with the air of these hours (Wood Handbook, equation 4-5)
            t = column.mean("temperature", from_s, at_s)
            return float(equilibrium_moisture_content(t, min(max(rh, 0.0), 100.0)))
        if goal.metric is GoalMetric.VAPOUR_PRESSURE_EXCESS and location.reference is not None:
            own = self.vapour_pressure(location.id, from_s, at_s)
            return own - self.vapour_pressure(location.reference, from_s, at_s)
        return rh

    def day_metric(self, location: Location, at_s: float) -> float:
        """The metric of the day up to a time, as it was first known."""
        known = self._days.get((location.id, at_s), float("nan"))
        if not np.isfinite(known):
            known = self._days[location.id, at_s] = self.metric(location, at_s - DAY_S, at_s)
        return known

    def margin(self, location: Location, from_s: float, at_s: float) -> float:
        """How far a location's cold surface lies above the dew point of its air; NaN where that can't be said. [K]"""
        if location.f_rsi is None and location.kind is LocationKind.SLAB_SLEEVE:
            return float("nan")
        pressure = self.vapour_pressure(location.id, from_s, at_s)
        surface = self.column(location.id).mean("surface", from_s, at_s)
        outdoor, room = (
            self.job.outdoor(),
            location if location.kind is LocationKind.ROOM_AIR else self.job.room_of(location),
        )
        if not np.isfinite(surface) and location.f_rsi is not None and outdoor is not None and room is not None:
            outside = self.column(outdoor.id).mean("temperature", from_s, at_s)
            inside = self.column(room.id).mean("temperature", from_s, at_s)
            surface = outside + location.f_rsi * (inside - outside)
        if not np.isfinite(surface) or not pressure > 1.0:
            return float("nan")
        return surface - float(dew_point(pressure))
