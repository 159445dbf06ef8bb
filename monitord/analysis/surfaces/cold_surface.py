"""The cold side of a location: its surface temperature, how that is known, and its margin to the dew point.

A contact sensor goes before the temperature factor, reading by reading; where neither is known nothing is guessed.
The same arithmetic serves readings of the last days and hours of the whole job.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.air.comparison import Present, interpolated
from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.rolling import Summed, trailing_mean
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.assessments import SurfaceSource
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import SurfaceKind
from monitord.model.jobs import Location, LocationKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.moist_air import vapour_pressure
from monitord.physics.numeric import FloatOrArray
from monitord.physics.surfaces import (
    condensation_margin,
    surface_temperature_from_factor,
    u_condensation_margin,
    u_condensation_margin_from_factor,
    u_surface_temperature_from_factor,
)
from monitord.physics.uncertainty import combine, u_dew_or_frost_point

Which = NDArray[np.intp] | np.intp

_WHAT = {
    LocationKind.CAVITY: SurfaceKind.COLD_LEAF,
    LocationKind.SUBFLOOR_VOID: SurfaceKind.COLD_UNDERSIDE,
}


@dataclass(frozen=True)
class Air:
    """The air that touches a surface, at each of n times."""

    location: Location
    temperature_c: Array
    relative_humidity_pct: Array
    vapour_pressure_pa: Array
    touched_c: Array
    """The contact sensor's temperature; NaN where there is none. [°C]"""
    uncertainty: Uncertainty
    humidity_over: str

    def at(self, which: Which) -> Air:
        """The same at some of the times."""
        return Air(
            self.location,
            self.temperature_c[which],
            self.relative_humidity_pct[which],
            self.vapour_pressure_pa[which],
            self.touched_c[which],
            self.uncertainty,
            self.humidity_over,
        )


@dataclass(frozen=True)
class Sides:
    """The warm and the cold side of a wall at those times: now, and as the wall remembers them. [°C], each (n,)

    NaN where they are not known, or beyond what the equations hold for; a memory only where now is known too.
    """

    room_c: Array
    outdoor_c: Array
    room_mean_c: Array
    outdoor_mean_c: Array
    u_room_k: float
    u_outdoor_k: float
    own_room: bool
    """The room's probe is the one that gives the dew point: its error moves both."""

    def at(self, which: Which) -> Sides:
        """The same at some of the times."""
        return Sides(
            self.room_c[which],
            self.outdoor_c[which],
            self.room_mean_c[which],
            self.outdoor_mean_c[which],
            self.u_room_k,
            self.u_outdoor_k,
            self.own_room,
        )


@dataclass(frozen=True)
class ColdSurface:
    """A surface against the air that touches it, each (n,); NaN where it is not known."""

    what: SurfaceKind
    """`surface`, `cold leaf` or `cold underside`."""
    by_contact: Array
    """1 where a contact sensor gave the temperature, 0 where the temperature factor did."""
    temperature_c: Array
    u_k: Array
    """Standard uncertainty of the surface temperature; NaN also where it was not asked for, as in the margin's. [K]"""
    margin_k: Array
    """Surface temperature minus dew or frost point. [K]"""
    u_margin_k: Array

    def source(self, at: int = -1) -> SurfaceSource:
        """How the temperature at one of the times is known."""
        return SurfaceSource.CONTACT if self.by_contact[at] else SurfaceSource.FACTOR


def averaging_h(location: Location, options: AnalysisOptions) -> float:
    """Over how many hours the cold side of a location remembers the airs beside it. [h]"""
    return options.void_averaging_h if location.kind is LocationKind.SUBFLOOR_VOID else options.surface_averaging_h


def cold_surface(
    air: Air, sides: Sides | None, options: AnalysisOptions, newest_uncertainty_only: bool = False
) -> ColdSurface | None:
    """The cold surface at a location; None where neither a contact sensor nor the factor gives it.

    Parameters
    ----------
    newest_uncertainty_only : uncertainties only at the newest time that has a margin; elsewhere they are NaN.

    Source
    ------
    EN ISO 13788:2012, temperature factor; uncertainties by JCGM 100:2008, 5.1.2. That the wall's memory is not
    known adds a share of what the memory changes.
    """
    surface, f_rsi = _in(air.touched_c), air.location.f_rsi
    contact = np.isfinite(surface)
    if not contact.any() and (f_rsi is None or sides is None):
        return None
    if f_rsi is not None and sides is not None and not contact.all():
        by_factor = surface_temperature_from_factor(f_rsi, sides.room_mean_c, sides.outdoor_mean_c)
        surface = np.where(contact, surface, by_factor)
    known = np.isfinite(surface) & np.isfinite(_in(air.temperature_c))
    known &= np.isfinite(air.relative_humidity_pct) & (air.vapour_pressure_pa > 0.0)
    if not known.any():
        return None
    surface = np.where(known, surface, np.nan)
    margin = condensation_margin(
        surface, np.where(known, np.maximum(air.vapour_pressure_pa, SURFACES.min_vapour_pa), np.nan)
    )
    u, u_margin = np.full(len(surface), np.nan), np.full(len(surface), np.nan)
    asked: list[Which] = [at for at in (np.flatnonzero(known & contact), np.flatnonzero(known & ~contact)) if len(at)]
    if newest_uncertainty_only:
        asked = [np.flatnonzero(known)[-1]]  # alone, and so in plain floats
    for at in asked:
        its_sides = None if sides is None or contact[at].all() else sides.at(at)
        u[at], u_margin[at] = _uncertainty(air.at(at), its_sides, options)
    return ColdSurface(
        what=_WHAT.get(air.location.kind, SurfaceKind.SURFACE),
        by_contact=contact.astype(np.float64),
        temperature_c=surface,
        u_k=u,
        margin_k=margin,
        u_margin_k=u_margin,
    )


def _in(celsius: Array) -> Array:
    """Temperatures that the equations hold for; others are as good as missing."""
    return np.where((celsius > SURFACES.min_surface_c) & (celsius < SURFACES.max_surface_c), celsius, np.nan)


def _sides(
    room_c: Array,
    outdoor_c: Array,
    room_mean_c: Array,
    outdoor_mean_c: Array,
    u_room_k: float,
    u_outdoor_k: float,
    own_room: bool,
) -> Sides:
    inside, outside = _in(room_c), _in(outdoor_c)
    return Sides(
        room_c=inside,
        outdoor_c=outside,
        room_mean_c=np.where(np.isfinite(inside), _in(room_mean_c), np.nan),
        outdoor_mean_c=np.where(np.isfinite(outside), _in(outdoor_mean_c), np.nan),
        u_room_k=u_room_k,
        u_outdoor_k=u_outdoor_k,
        own_room=own_room,
    )


def _uncertainty(air: Air, sides: Sides | None, options: AnalysisOptions) -> tuple[FloatOrArray, FloatOrArray]:
    """Standard uncertainty of a surface's temperature and of its margin: by the factor, or by contact without sides."""
    t, rh = (
        air.temperature_c,
        np.minimum(np.maximum(air.relative_humidity_pct, SURFACES.min_surface_rh_pct), SERIES.max_rh_pct),
    )
    u_t, u_rh = air.uncertainty.temperature_k, air.uncertainty.relative_humidity_pct
    u: FloatOrArray = options.surface_u_k
    if sides is not None and air.location.f_rsi is not None:
        f_rsi, outdoor = air.location.f_rsi, sides.outdoor_mean_c
        then = surface_temperature_from_factor(f_rsi, sides.room_mean_c, outdoor)
        at_once = surface_temperature_from_factor(f_rsi, sides.room_c, sides.outdoor_c)
        memory = options.surface_averaging_u * abs(then - at_once)
        u = u_surface_temperature_from_factor(
            f_rsi, sides.room_mean_c, outdoor, options.f_rsi_u, sides.u_room_k, sides.u_outdoor_k
        )
        u = combine(u, memory)
        if sides.own_room:
            u_margin = u_condensation_margin_from_factor(
                f_rsi,
                t,
                rh,
                outdoor,
                u_f_rsi=options.f_rsi_u,
                u_room_k=u_t,
                u_relative_humidity_pct=u_rh,
                u_outdoor_k=sides.u_outdoor_k,
                humidity_over=air.humidity_over,
            )
            return u, combine(u_margin, memory)
    return u, u_condensation_margin(u, u_dew_or_frost_point(t, rh, u_t, u_rh, humidity_over=air.humidity_over))


# --- from readings of the last days -------------------------------------------------------------------------


def surface_of_readings(
    present: Present,
    room: Present | None,
    outdoor: Present | None,
    options: AnalysisOptions,
    newest_uncertainty_only: bool = False,
) -> ColdSurface | None:
    """The cold surface at a location at each of its own recent readings; uncertainties as in `cold_surface`."""
    series, over = present.series, present.humidity_over.value
    if present.location.f_rsi is None and not np.isfinite(series.surface_temperature_c).any():
        return None
    air = Air(
        present.location,
        series.temperature_c,
        series.relative_humidity_pct,
        np.asarray(vapour_pressure(_in(series.temperature_c), series.relative_humidity_pct, humidity_over=over)),
        series.surface_temperature_c,
        present.uncertainty,
        over,
    )
    return cold_surface(air, _sides_of_readings(present, room, outdoor, options), options, newest_uncertainty_only)


def _sides_of_readings(
    present: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> Sides | None:
    if present.location.f_rsi is None or room is None or outdoor is None:
        return None
    at, window_s = present.series.time_s, HOUR_S * averaging_h(present.location, options)
    return _sides(
        interpolated(room, at, room.series.temperature_c, options),
        interpolated(outdoor, at, outdoor.series.temperature_c, options),
        room.summed.mean_before(at, window_s),
        outdoor.summed.mean_before(at, window_s),
        u_room_k=room.uncertainty.temperature_k,
        u_outdoor_k=outdoor.uncertainty.temperature_k,
        own_room=room.probe == present.probe,
    )


def mean_before(time_s: Array, values: Array, at_s: Array, window_s: float) -> Array:
    """Mean of a series over the time before each of the times given, as far back as it is known; linear between.

    Parameters
    ----------
    time_s, values : ascending times [s] and values there, each (n,); NaN values are left out.
    window_s : how far back. [s] 0: the value at the time itself.
    """
    return Summed.of(time_s, values).mean_before(at_s, window_s)


# --- from hours of the whole job ----------------------------------------------------------------------------


def surface_of_hours(
    series: HourlySeries, room: HourlySeries | None, outdoor: HourlySeries | None, options: AnalysisOptions
) -> ColdSurface | None:
    """The cold surface at a location in each hour of its track."""
    air = Air(
        series.location,
        series.temperature_c,
        series.relative_humidity_pct,
        series.vapour_pressure_pa,
        series.surface_temperature_c,
        series.uncertainty,
        "water",
    )
    sides: Sides | None = None
    if series.location.f_rsi is not None and room is not None and outdoor is not None:
        hours = max(1, round(averaging_h(series.location, options)))
        sides = _sides(
            room.temperature_c,
            outdoor.temperature_c,
            trailing_mean(room.temperature_c, hours, 0.0),
            trailing_mean(outdoor.temperature_c, hours, 0.0),
            u_room_k=room.uncertainty.temperature_k,
            u_outdoor_k=outdoor.uncertainty.temperature_k,
            own_room=room.location.id == series.location.id,
        )
    return cold_surface(air, sides, options)
