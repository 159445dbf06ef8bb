"""The cold side of a location: its surface temperature, how that is known, and its margin to the dew point.

A contact sensor goes before the temperature factor, reading by reading; where neither is known nothing is guessed.
The same arithmetic serves readings of the last days and hours of the whole job.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.comparison import Present, interpolated
from monitord.analysis.measured import Doubt
from monitord.analysis.rolling import trailing_mean
from monitord.analysis.track import Track
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import SurfaceSource
from monitord.model.jobs import Location, LocationKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.moist_air import vapour_pressure
from monitord.physics.surfaces import (
    condensation_margin,
    surface_temperature_from_factor,
    u_condensation_margin,
    u_condensation_margin_from_factor,
    u_surface_temperature_from_factor,
)
from monitord.physics.uncertainty import combine, u_dew_or_frost_point

LEAST_RH_PCT = 1.0
"""Drier readings are taken as this: no probe tells a dew point there. [%]"""
_COLDEST_C, _HOTTEST_C = -60.0, 95.0
_WHAT = {LocationKind.CAVITY: "cold leaf", LocationKind.SUBFLOOR_VOID: "cold underside"}


@dataclass(frozen=True)
class Air:
    """The air that touches a surface, at each of n times."""

    location: Location
    temperature_c: Array
    relative_humidity_pct: Array
    vapour_pressure_pa: Array
    touched_c: Array
    """The contact sensor's temperature; NaN where there is none. [°C]"""
    doubt: Doubt
    humidity_over: str


@dataclass(frozen=True)
class Sides:
    """The warm and the cold side of a wall at those times: now, and as the wall remembers them. [°C], each (n,)"""

    room_c: Array
    outdoor_c: Array
    room_mean_c: Array
    outdoor_mean_c: Array
    u_room_k: float
    u_outdoor_k: float
    own_room: bool
    """The room's probe is the one that gives the dew point: its error moves both."""


@dataclass(frozen=True)
class ColdSurface:
    """A surface against the air that touches it, each (n,); NaN where it is not known."""

    what: str
    """`surface`, `cold leaf` or `cold underside`."""
    by_contact: Array
    """1 where a contact sensor gave the temperature, 0 where the temperature factor did."""
    temperature_c: Array
    u_k: Array
    """Standard uncertainty of the surface temperature. [K]"""
    margin_k: Array
    """Surface temperature minus dew or frost point. [K]"""
    u_margin_k: Array

    def source(self, at: int = -1) -> SurfaceSource:
        """How the temperature at one of the times is known."""
        return SurfaceSource.CONTACT if self.by_contact[at] else SurfaceSource.FACTOR


def memory_h(location: Location, options: AnalysisOptions) -> float:
    """Over how many hours the cold side of a location remembers the airs beside it. [h]"""
    return options.void_memory_h if location.kind is LocationKind.SUBFLOOR_VOID else options.surface_memory_h


def cold_surface(air: Air, sides: Sides | None, options: AnalysisOptions) -> ColdSurface | None:
    """The cold surface at a location; None where neither a contact sensor nor the factor gives it.

    Source
    ------
    EN ISO 13788:2012, temperature factor; uncertainties by JCGM 100:2008, 5.1.2. That the wall's memory is not
    known adds a share of what the memory changes.
    """
    touched, f_rsi = _in(air.touched_c), air.location.f_rsi
    contact = np.isfinite(touched)
    if not contact.any() and (f_rsi is None or sides is None):
        return None
    t, rh = _in(air.temperature_c), np.clip(air.relative_humidity_pct, LEAST_RH_PCT, 105.0)
    surface, u = touched, np.where(contact, options.surface_u_k, np.nan)
    u_margin = u_condensation_margin(u, _u_dew(t, rh, air)) if contact.any() else u
    if f_rsi is not None and sides is not None and not contact.all():
        by_factor, u_factor, u_margin_factor = _by_factor(f_rsi, t, rh, air, sides, options)
        surface, u = np.where(contact, touched, by_factor), np.where(contact, u, u_factor)
        u_margin = np.where(contact, u_margin, u_margin_factor)
    known = np.isfinite(surface) & np.isfinite(t) & np.isfinite(rh) & (air.vapour_pressure_pa > 0.0)
    if not known.any():
        return None
    vapour = np.where(known, np.maximum(air.vapour_pressure_pa, 0.2), np.nan)
    return ColdSurface(
        what=_WHAT.get(air.location.kind, "surface"),
        by_contact=contact.astype(np.float64),
        temperature_c=np.where(known, surface, np.nan),
        u_k=np.where(known, u, np.nan),
        margin_k=condensation_margin(np.where(known, surface, np.nan), vapour),
        u_margin_k=np.where(known, u_margin, np.nan),
    )


def _in(celsius: Array) -> Array:
    """Temperatures that the equations hold for; others are as good as missing."""
    return np.where((celsius > _COLDEST_C) & (celsius < _HOTTEST_C), celsius, np.nan)


def _u_dew(t: Array, rh: Array, air: Air) -> Array:
    """Standard uncertainty of the dew or frost point of the air. [K]"""
    u_t, u_rh = air.doubt.temperature_k, air.doubt.relative_humidity_pct
    return np.asarray(u_dew_or_frost_point(t, rh, u_t, u_rh, humidity_over=air.humidity_over))


def _by_factor(
    f_rsi: float, t: Array, rh: Array, air: Air, sides: Sides, options: AnalysisOptions
) -> tuple[Array, Array, Array]:
    """Surface temperature by the factor, its standard uncertainty, and that of its margin to the dew point."""
    room, outdoor = _in(sides.room_mean_c), _in(sides.outdoor_mean_c)
    surface = surface_temperature_from_factor(f_rsi, room, outdoor)
    at_once = surface_temperature_from_factor(f_rsi, _in(sides.room_c), _in(sides.outdoor_c))
    memory = options.surface_memory_u * np.abs(surface - at_once)
    u = combine(
        u_surface_temperature_from_factor(f_rsi, room, outdoor, options.f_rsi_u, sides.u_room_k, sides.u_outdoor_k),
        memory,
    )
    if not sides.own_room:
        return surface, u, u_condensation_margin(u, _u_dew(t, rh, air))
    u_margin = u_condensation_margin_from_factor(
        f_rsi,
        t,
        rh,
        outdoor,
        u_f_rsi=options.f_rsi_u,
        u_room_k=air.doubt.temperature_k,
        u_relative_humidity_pct=air.doubt.relative_humidity_pct,
        u_outdoor_k=sides.u_outdoor_k,
        humidity_over=air.humidity_over,
    )
    return surface, u, combine(u_margin, memory)


# --- from readings of the last days -------------------------------------------------------------------------


def surface_of_readings(
    here: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> ColdSurface | None:
    """The cold surface at a location at each of its own recent readings."""
    series, over = here.series, here.humidity_over.value
    if here.location.f_rsi is None and not np.isfinite(series.surface_temperature_c).any():
        return None
    air = Air(
        here.location,
        series.temperature_c,
        series.relative_humidity_pct,
        np.asarray(vapour_pressure(_in(series.temperature_c), series.relative_humidity_pct, humidity_over=over)),
        series.surface_temperature_c,
        here.doubt,
        over,
    )
    return cold_surface(air, _sides_of_readings(here, room, outdoor, options), options)


def _sides_of_readings(
    here: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> Sides | None:
    if here.location.f_rsi is None or room is None or outdoor is None:
        return None
    at, window_s = here.series.time_s, HOUR_S * memory_h(here.location, options)
    inside = interpolated(room, at, room.series.temperature_c, options)
    outside = interpolated(outdoor, at, outdoor.series.temperature_c, options)
    return Sides(
        room_c=inside,
        outdoor_c=outside,
        room_mean_c=np.where(np.isfinite(inside), _remembered(room, at, window_s), np.nan),
        outdoor_mean_c=np.where(np.isfinite(outside), _remembered(outdoor, at, window_s), np.nan),
        u_room_k=room.doubt.temperature_k,
        u_outdoor_k=outdoor.doubt.temperature_k,
        own_room=room.probe == here.probe,
    )


def mean_before(time_s: Array, values: Array, at_s: Array, window_s: float) -> Array:
    """Mean of a series over the time before each of the times given, as far back as it is known; linear between.

    Parameters
    ----------
    time_s, values : ascending times [s] and values there, each (n,); NaN values are left out.
    window_s : how far back. [s] 0: the value at the time itself.
    """
    known = np.isfinite(values)
    times, values = time_s[known], values[known]
    if not len(times):
        return np.full_like(at_s, np.nan)
    if window_s <= 0 or len(times) < 2:
        return np.interp(at_s, times, values)
    total = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(times))])
    end = np.clip(at_s, times[0], times[-1])
    begin = np.clip(at_s - window_s, times[0], times[-1])
    span = end - begin
    whole = np.interp(end, times, total) - np.interp(begin, times, total)
    return np.where(span > 0.0, whole / np.where(span > 0.0, span, 1.0), np.interp(at_s, times, values))


def _remembered(other: Present, at_s: Array, window_s: float) -> Array:
    return mean_before(other.series.time_s, other.series.temperature_c, at_s, window_s)


# --- from hours of the whole job ----------------------------------------------------------------------------


def surface_of_hours(
    here: Track, room: Track | None, outdoor: Track | None, options: AnalysisOptions
) -> ColdSurface | None:
    """The cold surface at a location in each hour of its track."""
    air = Air(
        here.location,
        here.temperature_c,
        here.relative_humidity_pct,
        here.vapour_pressure_pa,
        here.surface_temperature_c,
        here.doubt,
        "water",
    )
    sides: Sides | None = None
    if here.location.f_rsi is not None and room is not None and outdoor is not None:
        hours = max(1, round(memory_h(here.location, options)))
        inside, outside = room.temperature_c, outdoor.temperature_c
        sides = Sides(
            room_c=inside,
            outdoor_c=outside,
            room_mean_c=np.where(np.isfinite(inside), trailing_mean(inside, hours, 0.0), np.nan),
            outdoor_mean_c=np.where(np.isfinite(outside), trailing_mean(outside, hours, 0.0), np.nan),
            u_room_k=room.doubt.temperature_k,
            u_outdoor_k=outdoor.doubt.temperature_k,
            own_room=room.location.id == here.location.id,
        )
    return cold_surface(air, sides, options)
