"""The whole course of what is estimated by hour, for charts: mould index, timber, vapour pressure over other airs.

The last value of each is the one that the assessment of that hour tells: both come from the same functions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.hourly_results import HourView
from monitord.analysis.series.hourly_series import Track
from monitord.analysis.surfaces.cold_surface import surface_of_hours
from monitord.analysis.surfaces.mould_risk import WATCHED_KINDS, MouldCourse, mould_course
from monitord.analysis.wood.wood_moisture import WoodCourse, wood_course
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import VOID_KINDS, JobFile, Location, LocationKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.uncertainty import combine, u_vapour_pressure


@dataclass(frozen=True)
class Excess:
    """Vapour pressure at a location above that of another air, by hour, each (n,); NaN where either is unknown."""

    other: str
    """Location id of the other air."""
    value_pa: Array
    u_pa: Array
    """Standard uncertainty; both probes' errors are constant offsets mostly, so no averaging lessens it."""


@dataclass(frozen=True)
class PlaceCourses:
    """What is estimated of one location in each complete hour."""

    end_s: Array
    """End of each hour. [s]"""
    known: Array
    """1 where the location was heard in the hour, else 0."""
    mould: MouldCourse | None = None
    wood: WoodCourse | None = None
    over_room: Excess | None = None
    over_outdoors: Excess | None = None


def place_courses(job: JobFile, hours: HourView, place: Location, options: AnalysisOptions) -> PlaceCourses | None:
    """The courses at a location; None where nothing was ever heard there."""
    here = hours.tracks.get(place.id)
    if here is None or not np.isfinite(here.vapour_pressure_pa).any():
        return None
    room = place if place.kind is LocationKind.ROOM_AIR else job.room_of(place)
    inside, outside = _track(hours, room), _track(hours, job.outdoor())
    watched, timber = place.kind in WATCHED_KINDS, place.kind in VOID_KINDS
    surface = surface_of_hours(here, inside, outside, options) if watched else None
    return PlaceCourses(
        end_s=here.hour_s + HOUR_S,
        known=np.isfinite(here.vapour_pressure_pa).astype(np.float64),
        mould=mould_course(here, surface) if watched else None,
        wood=wood_course(here, options) if timber else None,
        over_room=excess(here, inside),
        over_outdoors=excess(here, outside),
    )


def _track(hours: HourView, air: Location | None) -> Track | None:
    return hours.tracks.get(air.id) if air is not None else None


def excess(here: Track, other: Track | None) -> Excess | None:
    """Vapour pressure of one track above another's on the same hours; None without another air.

    Source
    ------
    Standard uncertainties by JCGM 100:2008, 5.1.2, of both vapour pressures, taken as independent.
    """
    if other is None or other.location.id == here.location.id:
        return None
    value = here.vapour_pressure_pa - other.vapour_pressure_pa
    u = np.full(len(here), np.nan)
    known = np.isfinite(value)
    u[known] = combine(*(_u(track, known) for track in (here, other)))
    return Excess(other.location.id, value, u)


def _u(track: Track, known: Array) -> Array:
    t, rh = track.temperature_c[known], np.clip(track.relative_humidity_pct[known], 0.0, 105.0)
    return np.asarray(u_vapour_pressure(t, rh, track.doubt.temperature_k, track.doubt.relative_humidity_pct))
