"""Readings of a location over a time, calibrated, with what follows from them: what charts and the API draw on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import numpy as np
from sqlalchemy import Connection

from monitord.analysis.surfaces.cold_surface import averaging_h
from monitord.analysis.surfaces.derived import Derived, derived_hours, derived_series, joined, surface_by_factor
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.series import HOUR_S, Array
from monitord.store.series.archived import archived
from monitord.store.series.records import count_readings, load_hourly, load_series

_MAX_READINGS = 7000
"""A placement with more readings than that in the window goes by hours, but for its end. So three weeks, the span of a
page that is opened, are drawn of every reading down to one in five minutes. A drawing is some 700 pixels wide: of a
longer span an hour is a pixel or two."""
_RAW_END = 500
"""How many readings at the end of such a window are taken as they came, so that it ends at the newest one."""


class Measure(StrEnum):
    """A quantity that can be drawn over time."""

    RELATIVE_HUMIDITY = "relative_humidity"
    TEMPERATURE = "temperature"
    VAPOUR_PRESSURE = "vapour_pressure"
    DEW_POINT = "dew_point"
    HUMIDITY_RATIO = "humidity_ratio"
    SURFACE_TEMPERATURE = "surface_temperature"
    NEAR_DEW_POINT = "near_dew_point"
    """The dew point and the margin under which a surface is warned of."""
    MOULD_INDEX = "mould_index"
    MOULD_INDEX_LOW = "mould_index_low"
    """If every reading had been one standard uncertainty drier."""
    MOULD_INDEX_HIGH = "mould_index_high"
    TIMBER_MOISTURE = "timber_moisture"
    TIMBER_EQUILIBRIUM = "timber_equilibrium"
    """What timber would come to in the air of the hour."""
    TIMBER_IF_SOAKED = "timber_if_soaked"
    OVER_ROOM = "vapour_pressure_over_room"
    OVER_OUTDOORS = "vapour_pressure_over_outdoors"


HOURLY = frozenset(
    {
        Measure.MOULD_INDEX,
        Measure.MOULD_INDEX_LOW,
        Measure.MOULD_INDEX_HIGH,
        Measure.TIMBER_MOISTURE,
        Measure.TIMBER_EQUILIBRIUM,
        Measure.TIMBER_IF_SOAKED,
        Measure.OVER_ROOM,
        Measure.OVER_OUTDOORS,
    }
)
"""Estimated by complete hours, not reading by reading."""

UNITS = {
    Measure.RELATIVE_HUMIDITY: "%",
    Measure.TEMPERATURE: "°C",
    Measure.VAPOUR_PRESSURE: "Pa",
    Measure.DEW_POINT: "°C",
    Measure.HUMIDITY_RATIO: "g/kg",
    Measure.SURFACE_TEMPERATURE: "°C",
    Measure.NEAR_DEW_POINT: "°C",
    Measure.MOULD_INDEX: "",
    Measure.MOULD_INDEX_LOW: "",
    Measure.MOULD_INDEX_HIGH: "",
    Measure.TIMBER_MOISTURE: "% MC",
    Measure.TIMBER_EQUILIBRIUM: "% MC",
    Measure.TIMBER_IF_SOAKED: "% MC",
    Measure.OVER_ROOM: "Pa",
    Measure.OVER_OUTDOORS: "Pa",
}


@dataclass(frozen=True)
class LocationSeries:
    """What was measured at one location in a window."""

    location: str
    values: Derived
    interval_s: float
    """Time between two values, nominally. [s]"""
    surface_c: Array
    u_surface_k: Array
    near_k: float
    """Margin to the dew point under which a surface is warned of. [K]"""
    by_hour: bool = False
    """Whether it goes by hours, but for its end: their medians, and of humidity and temperature their extremes."""

    def extremes(self, measure: Measure) -> tuple[Array, Array] | None:
        """Lowest and highest of what each value of a measure stands for, each (n,); None: that is not known."""
        v = self.values
        if not self.by_hour:
            return None
        match measure:
            case Measure.RELATIVE_HUMIDITY:
                return v.relative_humidity_low_pct, v.relative_humidity_high_pct
            case Measure.TEMPERATURE:
                return v.temperature_low_c, v.temperature_high_c
            case _:
                return None

    def of(self, measure: Measure) -> tuple[Array, Array]:
        """Values and standard uncertainties of a measure that is read, each (n,), in its unit.

        Raises
        ------
        ValueError : the measure is estimated by hours.
        """
        v = self.values
        match measure:
            case Measure.RELATIVE_HUMIDITY:
                return v.relative_humidity_pct, v.u_relative_humidity_pct
            case Measure.TEMPERATURE:
                return v.temperature_c, v.u_temperature_k
            case Measure.VAPOUR_PRESSURE:
                return v.vapour_pressure_pa, v.u_vapour_pressure_pa
            case Measure.DEW_POINT:
                return v.dew_point_c, v.u_dew_point_k
            case Measure.HUMIDITY_RATIO:
                return v.humidity_ratio_g_kg, v.u_humidity_ratio_g_kg
            case Measure.SURFACE_TEMPERATURE:
                return self.surface_c, self.u_surface_k
            case Measure.NEAR_DEW_POINT:
                return v.dew_point_c + self.near_k, v.u_dew_point_k
            case _:
                raise ValueError(f"{measure} is estimated by hours")


class Window:
    """Readings of a job's locations over a time; what several charts of a page need is read once."""

    def __init__(
        self, conn: Connection, job: JobFile, start: datetime, end: datetime, options: AnalysisOptions
    ) -> None:
        self._conn, self._job, self._start, self._end, self._options = conn, job, start, end, options
        self._read: dict[str, tuple[Derived, float, bool]] = {}

    def series(self, location_id: str) -> LocationSeries:
        """Every reading at a location in the window and a little beside it, so that a line runs in from outside.

        The surface temperature is a contact sensor's; where there is none, by the location's temperature factor.
        """
        values, interval_s, by_hour = self._derived(location_id)
        surface, options = values.surface_temperature_c, self._options
        u_surface = np.full_like(surface, options.surface_u_k)
        location, outdoor = self._job.location(location_id), self._job.outdoor()
        room = location if location.kind is LocationKind.ROOM_AIR else self._job.room_of(location)
        if location.f_rsi is not None and room is not None and outdoor is not None and not np.isfinite(surface).any():
            inside, outside = self._derived(room.id)[0], self._derived(outdoor.id)[0]
            surface, u_surface = surface_by_factor(
                values, location.f_rsi, inside, outside, averaging_h(location, options), options
            )
        return LocationSeries(location_id, values, interval_s, surface, u_surface, options.margin_warn_k, by_hour)

    def count(self, location: Location) -> tuple[int, ...] | None:
        """How many readings of each placement lie behind the series of a location and the airs around it; None where
        nobody can say.

        What was made of as many is made of the same.
        """
        if archived(self._conn, self._job.job) is not None:
            return None
        airs = (location, self._job.room_of(location), self._job.outdoor())
        counts: list[int] = []
        for location_id in dict.fromkeys(air.id for air in airs if air is not None):
            placements = _touching(self._job, location_id, self._start, self._end)
            apart = _beside(max(_interval_s(placements), HOUR_S))
            since = (self._start - apart).replace(minute=0, second=0, microsecond=0)
            for placement in placements:
                found = count_readings(self._conn, placement, since, self._end + apart)
                if found is None:
                    return None
                counts.append(found)
        return tuple(counts)

    def _derived(self, location_id: str) -> tuple[Derived, float, bool]:
        if location_id not in self._read:
            self._read[location_id] = _load(self._conn, self._job, location_id, self._start, self._end)
        return self._read[location_id]


def _load(
    conn: Connection, job: JobFile, location_id: str, start: datetime, end: datetime
) -> tuple[Derived, float, bool]:
    """Values of all placements, the time between two [s], and whether by hour: too many readings, or archived ones."""
    placements = _touching(job, location_id, start, end)
    interval_s = _interval_s(placements)
    beside = _beside(interval_s)
    if archived(conn, job.job) is not None:  # by the hour is all there is
        hours = [derived_hours(load_hourly(conn, p, end, since=start - _beside(HOUR_S)), p, job) for p in placements]
        return joined(hours), max(interval_s, HOUR_S), True
    if any((end - start).total_seconds() / placement.interval_s > _MAX_READINGS for placement in placements):
        parts = [_hours_and_end(conn, job, placement, start, end) for placement in placements]
        return joined(parts), max(interval_s, HOUR_S), True
    series = [
        derived_series(load_series(conn, placement, start - beside, end + beside), placement, job)
        for placement in placements
    ]
    return joined(series), interval_s, False


def _interval_s(placements: Sequence[Placement]) -> float:
    return max((placement.interval_s for placement in placements), default=600.0)


def _beside(interval_s: float) -> timedelta:
    """How far on both sides of a window readings are looked for, so that a line runs in from outside."""
    return timedelta(seconds=3.0 * max(interval_s, 60.0))


def _hours_and_end(conn: Connection, job: JobFile, placement: Placement, start: datetime, end: datetime) -> Derived:
    """A placement by hourly medians up to some time before the end of a window, and by its readings from there on."""
    change_s = (end.timestamp() - _RAW_END * placement.interval_s) // HOUR_S * HOUR_S
    change = datetime.fromtimestamp(change_s, UTC)
    hours = derived_hours(load_hourly(conn, placement, change, since=start - _beside(HOUR_S)), placement, job)
    readings = derived_series(load_series(conn, placement, change, end + _beside(placement.interval_s)), placement, job)
    if not len(readings):
        return hours
    columns = ((item.name, getattr(hours, item.name), getattr(readings, item.name)) for item in fields(Derived))
    return Derived(**{name: np.concatenate((early, late)) for name, early, late in columns})


def _touching(job: JobFile, location_id: str, start: datetime, end: datetime) -> list[Placement]:
    """The placements at a location that a window touches."""
    return [
        one
        for one in job.placements_at(location_id)
        if one.from_time <= end and (one.to_time is None or one.to_time >= start)
    ]
