"""The cold side of a location: its surface temperature, how that is known, and its margin to the dew point.

A contact sensor goes before the temperature factor, reading by reading; where neither is known nothing is guessed.
The same arithmetic serves readings of the last days and hours of the whole job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

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
from monitord.physics.numeric import FloatOrArray
from monitord.physics.surfaces import (
    condensation_margin,
    surface_temperature_from_factor,
    u_condensation_margin,
    u_condensation_margin_from_factor,
    u_surface_temperature_from_factor,
)
from monitord.physics.uncertainty import combine, u_dew_or_frost_point

Which = NDArray[np.intp] | int

_WHAT = {
    LocationKind.CAVITY: SurfaceKind.COLD_LEAF,
    LocationKind.SUBFLOOR_VOID: SurfaceKind.COLD_UNDERSIDE,
}


def _picked(values: Array, which: Which) -> Any:
    return values.item(which) if isinstance(which, int) else values[which]


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
        """The same at some of the times; at one time in plain floats."""
        return Air(
            self.location,
            _picked(self.temperature_c, which),
            _picked(self.relative_humidity_pct, which),
            _picked(self.vapour_pressure_pa, which),
            _picked(self.touched_c, which),
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
        """The same at some of the times; at one time in plain floats."""
        return Sides(
            _picked(self.room_c, which),
            _picked(self.outdoor_c, which),
            _picked(self.room_mean_c, which),
            _picked(self.outdoor_mean_c, which),
            self.u_room_k,
            self.u_outdoor_k,
            self.own_room,
        )


@dataclass(frozen=True)
class ColdSurface:
    """A surface against the air that touches it, each (n,); NaN where it is not known."""

    what: SurfaceKind
    """`surface`, `cold leaf` or `cold underside`."""
    by_contact: Flags
    """True where a contact sensor gave the temperature, 0 where the temperature factor did."""
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
    by_factor = [air.location.f_rsi is not None and side is not None for air, side in zip(airs, sides, strict=True)]
    given = [k for k, air in enumerate(airs) if by_factor[k] or np.isfinite(in_equations(air.touched_c)).any()]
    if not given:
        return found
    surface, known, contact, margin = _temperatures_and_margins(
        [airs[k] for k in given], [sides[k] if by_factor[k] else None for k in given]
    )
    end = 0
    for k in given:
        begin, end = end, end + len(airs[k].temperature_c)
        its = slice(begin, end)
        found[k] = _with_uncertainty(
            airs[k], sides[k], surface[its], known[its], contact[its], margin[its], options, newest_uncertainty_only
        )
    return found


def _temperatures_and_margins(airs: list[Air], sides: list[Sides | None]) -> tuple[Array, Flags, Flags, Array]:
    """All locations' surface temperatures, whether known and by contact, and margins, one after another. [°C], [K]"""
    surface = in_equations(np.concatenate([air.touched_c for air in airs]))
    contact = np.isfinite(surface)
    if not contact.all():
        lengths = [len(air.temperature_c) for air in airs]
        unknown = np.full(max(lengths), np.nan)
        pairs = list(zip(sides, lengths, strict=True))
        room = np.concatenate([unknown[:n] if side is None else side.room_mean_c for side, n in pairs])
        outdoor = np.concatenate([unknown[:n] if side is None else side.outdoor_mean_c for side, n in pairs])
        f_rsi = np.repeat([0.0 if air.location.f_rsi is None else air.location.f_rsi for air in airs], lengths)
        surface = np.where(contact, surface, surface_temperature_from_factor(f_rsi, room, outdoor))
    vapour = np.concatenate([air.vapour_pressure_pa for air in airs])
    known = np.isfinite(surface) & np.isfinite(in_equations(np.concatenate([air.temperature_c for air in airs])))
    known &= np.isfinite(np.concatenate([air.relative_humidity_pct for air in airs])) & (vapour > 0.0)
    vapour = np.maximum(vapour, SURFACES.min_vapour_pa)
    if not known.all():
        surface, vapour = np.where(known, surface, np.nan), np.where(known, vapour, np.nan)
    return surface, known, contact, condensation_margin(surface, vapour)


def _with_uncertainty(
    air: Air,
    sides: Sides | None,
    surface: Array,
    known: Flags,
    contact: Flags,
    margin: Array,
    options: AnalysisOptions,
    newest_uncertainty_only: bool,
) -> ColdSurface | None:
    """One location's surface with its uncertainties; None where it is not known at any time."""
    if not known.any():
        return None
    u, u_margin = np.full(len(surface), np.nan), np.full(len(surface), np.nan)
    if newest_uncertainty_only:
        newest = len(known) - 1 if known[-1] else int(np.flatnonzero(known)[-1])
        asked: list[Which] = [newest]  # alone, and so in plain floats
    else:
        asked = [at for at in (np.flatnonzero(known & contact), np.flatnonzero(known & ~contact)) if len(at)]
    for at in asked:
        its_sides = None if sides is None or contact[at].all() else sides.at(at)
        u[at], u_margin[at] = _uncertainty(air.at(at), its_sides, options)
    return ColdSurface(
        what=_WHAT.get(air.location.kind, SurfaceKind.SURFACE),
        by_contact=contact,
        temperature_c=surface,
        u_k=u,
        margin_k=margin,
        u_margin_k=u_margin,
    )


def in_equations(celsius: Array) -> Array:
    """Temperatures that the equations hold for; others are as good as missing."""
    return np.where((celsius > SURFACES.min_surface_c) & (celsius < SURFACES.max_surface_c), celsius, np.nan)


def _clipped(rh_pct: FloatOrArray) -> Any:
    low, high = SURFACES.min_surface_rh_pct, SERIES.max_rh_pct
    return np.minimum(np.maximum(rh_pct, low), high) if isinstance(rh_pct, np.ndarray) else min(max(rh_pct, low), high)


def _uncertainty(air: Air, sides: Sides | None, options: AnalysisOptions) -> tuple[FloatOrArray, FloatOrArray]:
    """Standard uncertainty of a surface's temperature and of its margin: by the factor, or by contact without sides."""
    t, rh = air.temperature_c, _clipped(air.relative_humidity_pct)
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
