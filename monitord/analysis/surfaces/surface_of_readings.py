"""The cold surfaces of all locations at their readings of the last days, computed together."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from typing import NamedTuple

import numpy as np

from monitord.analysis.air.comparison import Present, interpolated
from monitord.analysis.surfaces.cold_surface import (
    Air,
    ColdSurface,
    Sides,
    averaging_h,
    cold_surfaces,
    in_equations,
)
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import HOUR_S, Array
from monitord.physics.moist_air import vapour_pressure


class Place(NamedTuple):
    """A location's newest readings, with those of the airs on both sides of its cold surface."""

    present: Present
    room: Present | None
    outdoor: Present | None

    @property
    def has_surface(self) -> bool:
        """Whether anything is there that tells of a cold surface."""
        touched = self.present.series.surface_temperature_c
        return self.present.location.f_rsi is not None or bool(np.isfinite(touched).any())


def surfaces_of_readings(
    places: Sequence[Place], options: AnalysisOptions, newest_uncertainty_only: bool = False
) -> list[ColdSurface | None]:
    """The cold surface of each place at each of its own recent readings; uncertainties as in `cold_surfaces`."""
    found: list[ColdSurface | None] = [None] * len(places)
    at = [k for k, place in enumerate(places) if place.has_surface]
    those = [places[k] for k in at]
    surfaces = cold_surfaces(_airs_of(those), _sides_of_readings(those, options), options, newest_uncertainty_only)
    for k, surface in zip(at, surfaces, strict=True):
        found[k] = surface
    return found


def _airs_of(places: list[Place]) -> list[Air]:
    """The air at each of some places, the vapour pressure of all with one convention in one array."""
    vapour: list[Array] = [np.empty(0)] * len(places)
    for over in {place.present.humidity_over.value for place in places}:
        those = [k for k, place in enumerate(places) if place.present.humidity_over.value == over]
        series = [places[k].present.series for k in those]
        rh = np.concatenate([one.relative_humidity_pct for one in series])
        pressure = vapour_pressure(
            in_equations(np.concatenate([one.temperature_c for one in series])), rh, humidity_over=over
        )
        vapour_of = _split(pressure, [len(one) for one in series])
        for k, its in zip(those, vapour_of, strict=True):
            vapour[k] = its
    return [
        Air(
            place.present.location,
            place.present.series.temperature_c,
            place.present.series.relative_humidity_pct,
            pressure,
            place.present.series.surface_temperature_c,
            place.present.uncertainty,
            place.present.humidity_over.value,
        )
        for place, pressure in zip(places, vapour, strict=True)
    ]


def _split(values: Array, lengths: list[int]) -> list[Array]:
    """Consecutive parts of an array, as long as given."""
    ends = list(accumulate(lengths))
    return [values[end - length : end] for end, length in zip(ends, lengths, strict=True)]


def _sides_of_readings(places: list[Place], options: AnalysisOptions) -> list[Sides | None]:
    """Both sides of each place's wall at its own readings; None without a temperature factor or one of the airs."""
    walls = [
        (k, place.present, place.room, place.outdoor)
        for k, place in enumerate(places)
        if place.present.location.f_rsi is not None and place.room is not None and place.outdoor is not None
    ]
    rooms = _beside([(present, room) for _, present, room, _ in walls], options)
    outdoors = _beside([(present, outdoor) for _, present, _, outdoor in walls], options)
    found: list[Sides | None] = [None] * len(places)
    for (k, present, room, outdoor), inside, outside in zip(walls, rooms, outdoors, strict=True):
        u_room_k, u_outdoor_k = room.uncertainty.temperature_k, outdoor.uncertainty.temperature_k
        found[k] = Sides(
            inside[0], outside[0], inside[1], outside[1], u_room_k, u_outdoor_k, room.probe == present.probe
        )
    return found


def _beside(pairs: list[tuple[Present, Present]], options: AnalysisOptions) -> list[tuple[Array, Array]]:
    """Temperatures of an air at a location's readings, now and as the wall remembers them, for each pair of the two.

    Those that share their air and memory are looked up together.
    """
    alike: dict[tuple[int, float], list[int]] = {}
    for k, (present, air) in enumerate(pairs):
        alike.setdefault((id(air), HOUR_S * averaging_h(present.location, options)), []).append(k)
    found: list[tuple[Array, Array]] = [(np.empty(0), np.empty(0))] * len(pairs)
    for (_, window_s), those in alike.items():
        air, times = pairs[those[0]][1], [pairs[k][0].series.time_s for k in those]
        at = np.concatenate(times)
        now = in_equations(interpolated(air, at, air.series.temperature_c, options))
        mean = np.where(np.isfinite(now), in_equations(air.summed.mean_before(at, window_s)), np.nan)
        lengths = [len(one) for one in times]
        for k, its_now, its_mean in zip(those, _split(now, lengths), _split(mean, lengths), strict=True):
            found[k] = its_now, its_mean
    return found
