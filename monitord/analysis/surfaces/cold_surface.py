"""The cold side of a location: its surface temperature, how that is known, and its margin to the dew point.

A contact sensor goes before the temperature factor, reading by reading; where neither is known nothing is guessed.
The same arithmetic serves readings of the last days and hours of the whole job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.rolling import Summed, trailing_mean
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.assessments import SurfaceSource
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import SurfaceKind
from monitord.model.jobs import Location, LocationKind
from monitord.model.series import Array, Flags
from monitord.physics.surfaces import (
    condensation_margin,
    surface_temperature_from_factor,
    u_condensation_margin,
    u_condensation_margin_from_factor,
    u_surface_temperature_from_factor,
)
from monitord.physics.uncertainty import combine, u_dew_or_frost_point

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


@dataclass(frozen=True)
class ColdSurface:
    """A surface against the air that touches it, each (n,); NaN where it is not known."""

    what: SurfaceKind
    """`surface`, `cold leaf` or `cold underside`."""
    by_contact: Flags
    """True where a contact sensor gave the temperature, false where the temperature factor did."""
    temperature_c: Array
    u_k: Array
    """Standard uncertainty of the surface temperature; NaN also where it was not asked for, as in the margin's. [K]"""
    margin_k: Array
    """Surface temperature minus dew or frost point. [K]"""
    u_margin_k: Array
    u_dew_point_k: Array
    """Standard uncertainty of the dew or frost point; NaN as the others. [K]"""

    def source(self, at: int = -1) -> SurfaceSource:
        """How the temperature at one of the times is known."""
        return SurfaceSource.CONTACT if self.by_contact[at] else SurfaceSource.FACTOR


def averaging_h(location: Location, options: AnalysisOptions) -> float:
    """Over how many hours the cold side of a location remembers the airs beside it. [h]"""
    return options.void_averaging_h if location.kind is LocationKind.SUBFLOOR_VOID else options.surface_averaging_h


def cold_surfaces(
    airs: Sequence[Air], sides: Sequence[Sides | None], options: AnalysisOptions, newest_uncertainty_only: bool = False
) -> list[ColdSurface | None]:
    """The cold surfaces at several locations; None where neither a contact sensor nor the factor gives one.

    All their times are computed as one array: a call costs more than its numbers.

    Parameters
    ----------
    newest_uncertainty_only : uncertainties only at the newest time that has a margin; elsewhere they are NaN.

    Source
    ------
    EN ISO 13788:2012, temperature factor; uncertainties by JCGM 100:2008, 5.1.2. That the wall's memory is not
    known adds a share of what the memory changes.
    """
    found: list[ColdSurface | None] = [None] * len(airs)
    walls = [None if air.location.f_rsi is None else side for air, side in zip(airs, sides, strict=True)]
    given = [
        k
        for k, (air, wall) in enumerate(zip(airs, walls, strict=True))
        if wall is not None or np.isfinite(in_equations(air.touched_c)).any()
    ]
    if not given:
        return found
    stacked = _Stacked([airs[k] for k in given], [walls[k] for k in given])
    ends = list(accumulate(stacked.lengths))
    parts = [slice(end - n, end) for end, n in zip(ends, stacked.lengths, strict=True)]
    if newest_uncertainty_only:
        its_known = [np.flatnonzero(stacked.known[part]) for part in parts]
        asked = np.array([part.start + at[-1] for part, at in zip(parts, its_known, strict=True) if len(at)], np.intp)
    else:
        asked = np.flatnonzero(stacked.known)
    u_surface, u_margin, u_dew = (np.full(len(stacked.known), np.nan) for _ in range(3))
    if len(asked):
        u_surface[asked], u_margin[asked], u_dew[asked] = stacked.uncertainties(asked, options)
    for k, part in zip(given, parts, strict=True):
        if stacked.known[part].any():
            found[k] = ColdSurface(
                what=_WHAT.get(airs[k].location.kind, SurfaceKind.SURFACE),
                by_contact=stacked.contact[part],
                temperature_c=stacked.surface_c[part],
                u_k=u_surface[part],
                margin_k=stacked.margin_k[part],
                u_margin_k=u_margin[part],
                u_dew_point_k=u_dew[part],
            )
    return found


class _Stacked:
    """Locations one after another in one array: surface temperature and margin, whether known and by contact, (n,)."""

    def __init__(self, airs: list[Air], walls: list[Sides | None]) -> None:
        """`walls`: both sides where the location has a temperature factor."""
        self._airs, self._walls = airs, walls
        self.lengths = [len(air.temperature_c) for air in airs]
        self._t = np.concatenate([air.temperature_c for air in airs])
        self._rh = np.concatenate([air.relative_humidity_pct for air in airs])
        vapour = np.concatenate([air.vapour_pressure_pa for air in airs])
        surface = in_equations(np.concatenate([air.touched_c for air in airs]))
        self.contact = np.isfinite(surface)
        self._room_mean, self._outdoor_mean = self._sides("room_mean_c"), self._sides("outdoor_mean_c")
        self._f_rsi = np.array([0.0 if air.location.f_rsi is None else air.location.f_rsi for air in airs])
        if not self.contact.all():
            f_rsi = np.repeat(self._f_rsi, self.lengths)
            by_factor = surface_temperature_from_factor(f_rsi, self._room_mean, self._outdoor_mean)
            surface = np.where(self.contact, surface, by_factor)
        self.known = np.isfinite(surface) & np.isfinite(in_equations(self._t)) & np.isfinite(self._rh) & (vapour > 0.0)
        vapour = np.maximum(vapour, SURFACES.min_vapour_pa)
        if not self.known.all():
            surface, vapour = np.where(self.known, surface, np.nan), np.where(self.known, vapour, np.nan)
        self.surface_c, self.margin_k = surface, condensation_margin(surface, vapour)

    def _sides(self, name: str) -> Array:
        """One of the temperatures of `Sides`, NaN where there are none, (n,). [°C]"""
        unknown = np.full(max(self.lengths), np.nan)
        pairs = zip(self._walls, self.lengths, strict=True)
        return np.concatenate([unknown[:n] if wall is None else getattr(wall, name) for wall, n in pairs])

    def uncertainties(self, at: NDArray[np.intp], options: AnalysisOptions) -> tuple[Array, Array, Array]:
        """Standard uncertainties of surface temperature, margin and dew or frost point at some of the times. [K]"""
        which = np.repeat(np.arange(len(self.lengths)), self.lengths)[at]
        t = self._t[at]
        rh = np.minimum(np.maximum(self._rh[at], SURFACES.min_surface_rh_pct), SERIES.max_rh_pct)
        u_t = np.array([air.uncertainty.temperature_k for air in self._airs])[which]
        u_rh = np.array([air.uncertainty.relative_humidity_pct for air in self._airs])[which]
        conventions = np.array([air.humidity_over for air in self._airs])[which]
        u_dew = np.empty(len(at))
        for over in {air.humidity_over for air in self._airs}:
            of = conventions == over
            u_dew[of] = u_dew_or_frost_point(t[of], rh[of], u_t[of], u_rh[of], humidity_over=over)
        u_surface = np.full(len(at), options.surface_u_k)
        factor = np.flatnonzero(~self.contact[at])
        memory = np.zeros(len(at))
        u_outdoor = np.array([0.0 if wall is None else wall.u_outdoor_k for wall in self._walls])[which]
        if len(factor):
            of, f_rsi = at[factor], self._f_rsi[which[factor]]
            u_room = np.array([0.0 if wall is None else wall.u_room_k for wall in self._walls])[which[factor]]
            room, outdoor = self._room_mean[of], self._outdoor_mean[of]
            at_once = surface_temperature_from_factor(f_rsi, self._sides("room_c")[of], self._sides("outdoor_c")[of])
            changed = np.abs(surface_temperature_from_factor(f_rsi, room, outdoor) - at_once)
            memory[factor] = options.surface_averaging_u * changed
            u = u_surface_temperature_from_factor(f_rsi, room, outdoor, options.f_rsi_u, u_room, u_outdoor[factor])
            u_surface[factor] = combine(u, memory[factor])
        u_margin = u_condensation_margin(u_surface, u_dew)
        own_room = np.array([wall is not None and wall.own_room for wall in self._walls])[which] & ~self.contact[at]
        for over in {air.humidity_over for air in self._airs} if own_room.any() else ():
            of = own_room & (conventions == over)
            own = u_condensation_margin_from_factor(
                self._f_rsi[which[of]],
                t[of],
                rh[of],
                self._outdoor_mean[at[of]],
                u_f_rsi=options.f_rsi_u,
                u_room_k=u_t[of],
                u_relative_humidity_pct=u_rh[of],
                u_outdoor_k=u_outdoor[of],
                humidity_over=over,
            )
            u_margin[of] = combine(own, memory[of])
        return u_surface, u_margin, u_dew


def in_equations(celsius: Array) -> Array:
    """Temperatures that the equations hold for; others are as good as missing."""
    return np.where((celsius > SURFACES.min_surface_c) & (celsius < SURFACES.max_surface_c), celsius, np.nan)


def mean_before(time_s: Array, values: Array, at_s: Array, window_s: float) -> Array:
    """Mean of a series over the time before each of the times given, as far back as it is known; linear between.

    Parameters
    ----------
    time_s, values : ascending times [s] and values there, each (n,); NaN values are left out.
    window_s : how far back. [s] 0: the value at the time itself.
    """
    return Summed.of(time_s, values).mean_before(at_s, window_s)


# --- from hours of the whole job ----------------------------------------------------------------------------


class Track(NamedTuple):
    """A location by hour, with the airs on both sides of its cold surface on the same hours."""

    series: HourlySeries
    room: HourlySeries | None
    outdoor: HourlySeries | None


def surfaces_of_hours(tracks: Sequence[Track], options: AnalysisOptions) -> list[ColdSurface | None]:
    """The cold surface at each location in each hour of its track."""
    airs = [
        Air(
            series.location,
            series.temperature_c,
            series.relative_humidity_pct,
            series.vapour_pressure_pa,
            series.surface_temperature_c,
            series.uncertainty,
            "water",
        )
        for series, _, _ in tracks
    ]
    remembered: dict[tuple[str, int], Array] = {}

    def memory(air: HourlySeries, hours: int) -> Array:
        key = air.location.id, hours
        if key not in remembered:
            remembered[key] = trailing_mean(air.temperature_c, hours, 0.0)
        return remembered[key]

    sides: list[Sides | None] = []
    for series, room, outdoor in tracks:
        if series.location.f_rsi is None or room is None or outdoor is None:
            sides.append(None)
            continue
        hours = max(1, round(averaging_h(series.location, options)))
        inside, outside = in_equations(room.temperature_c), in_equations(outdoor.temperature_c)
        sides.append(
            Sides(
                room_c=inside,
                outdoor_c=outside,
                room_mean_c=np.where(np.isfinite(inside), in_equations(memory(room, hours)), np.nan),
                outdoor_mean_c=np.where(np.isfinite(outside), in_equations(memory(outdoor, hours)), np.nan),
                u_room_k=room.uncertainty.temperature_k,
                u_outdoor_k=outdoor.uncertainty.temperature_k,
                own_room=room.location.id == series.location.id,
            )
        )
    return cold_surfaces(airs, sides, options)
