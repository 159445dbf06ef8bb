"""Water that the air change of a room carries out in a day, as a range: its air change is seldom known."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.analysis.air.parameters import AIR
from monitord.model.damage import Ventilation
from monitord.model.jobs import Location

_G_PER_L = 1000.0


@dataclass(frozen=True)
class WaterByAir:
    """What left a room with its air over the last day; below 0 the air brought it in."""

    low_l: float
    high_l: float
    low_changes_per_h: float
    high_changes_per_h: float


def water_by_air(room: Location, found: Ventilation, coverage: float) -> WaterByAir | None:
    """The range of it; None where the room's volume was not given, or the last day is not known.

    The internal moisture excess of EN ISO 13788:2012 (clause 3) solved for the water, G = n V (v_i - v_e): in
    proportion to air change and volume, so that what was worked out for one of each holds for any other. The ends of
    the range are those of the air change, widened by the probes' uncertainty.

    Parameters
    ----------
    room : its volume, and its air change where that was measured or is known well.
    found : the last day of that room against the outdoor air.
    coverage : standard uncertainties that the range is widened by.
    """
    if room.volume_m3 is None or found.day_water is None:
        return None
    low, high = AIR.closed_changes_per_h, AIR.open_changes_per_h
    if room.air_changes_per_h is not None:
        low = high = room.air_changes_per_h
    per_change = room.volume_m3 / (found.air_changes_per_h * found.volume.value) / _G_PER_L
    water, u = per_change * found.day_water.value, coverage * per_change * (found.day_water.u or 0.0)
    ends = [n * (water + sign * u) for n in (low, high) for sign in (-1.0, 1.0)]
    return WaterByAir(min(ends), max(ends), low, high)
