"""Is the far side of a slab still feeding the deep sleeve? What leaves it against what it loses.

Between two sleeves of which the deeper is wetter, water moves towards the shallow one. If nothing came in behind, the
part beyond them would dry by as much, and the deep sleeve with it. A deep sleeve that holds, or gets wetter, while it
must be losing is being fed: by the ground, a leak, or concrete deeper down.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.trend import DailyTrend, daily_trend
from monitord.analysis.slabs.parameters import SLABS
from monitord.model.assessments import FarSide
from monitord.model.series import HOUR_S, Array
from monitord.physics.concrete import (
    TYPICAL_DIFFUSIVITY_M2_S,
    diffusivity_temperature_factor,
    relative_diffusivity,
    sealed_humidity_slope,
)


class Feeding(StrEnum):
    """Whether water still comes in behind the deep sleeve."""

    FED = "fed"
    NOT_FED = "not_fed"
    PERHAPS = "perhaps"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Fed:
    """The verdict and what it rests on; rates of the deep sleeve in % RH per day."""

    verdict: Feeding
    far_side: FarSide
    shown: DailyTrend
    expected_loss: float | None
    """What usual concrete would lose there if nothing came in behind; None where it is not known."""


def _cleaned(series: HourlySeries, start_s: float) -> Array:
    """A sleeve's humidity since a time, without what temperature does to sealed concrete, in whole days. [%]"""
    first = max(int(np.searchsorted(series.hour_s, start_s)), len(series) - 24 * SLABS.supply_span_d)
    rh, t = series.relative_humidity_pct[first:], series.temperature_c[first:]
    known = np.isfinite(rh) & np.isfinite(t)
    if not known.any():
        return np.empty(0)
    h = min(max(float(np.median(rh[known])) / 100.0, 0.0), 1.0)
    return np.asarray(rh - 100.0 * sealed_humidity_slope(h) * (t - float(t[known].mean())))


def expected_loss(
    deep_pct: float, shallow_pct: float, deep_mm: float, shallow_mm: float, thickness_mm: float, temperature_c: float
) -> float | None:
    """How fast the part behind the middle of two sleeves dries if nothing comes in behind. [% RH per day]

    Parameters
    ----------
    deep_pct, shallow_pct : Relative humidity in the two sleeves. [%]
    deep_mm, shallow_mm : Their depths from the drying face. [mm]
    thickness_mm : Thickness of the slab, its far side sealed. [mm]
    temperature_c : Temperature of the concrete. [°C]

    Returns
    -------
    Loss, 0 or more; None where the depths leave nothing behind.

    Source
    ------
    Mass balance over the part from the middle of the two sleeves to the far side: D ∂h/∂x there, over its thickness,
    with D(h) of Bažant and Najjar 1972 and D1 typical of concrete.
    """
    behind = thickness_mm - 0.5 * (deep_mm + shallow_mm)
    if behind <= 0.0 or deep_mm <= shallow_mm:
        return None
    between = np.linspace(shallow_pct, deep_pct, 9) / 100.0
    d = TYPICAL_DIFFUSIVITY_M2_S * float(relative_diffusivity(np.clip(between, 0.0, 1.0)).mean())
    d *= float(diffusivity_temperature_factor(temperature_c))
    gradient = max(deep_pct - shallow_pct, 0.0) / (deep_mm - shallow_mm)
    return float(d * 1e6 * gradient / behind * 86_400.0)


def feeding(deep: HourlySeries, shallow: HourlySeries, clock_s: float, thickness_mm: float | None) -> Fed:
    """Judge whether the far side feeds the deeper of two sleeves, of which it is clearly the wetter.

    Parameters
    ----------
    deep, shallow : Their tracks; both locations have a depth.
    clock_s : When the later of their clocks started. [s]
    thickness_mm : Of the slab; None: not known, and a deep sleeve that holds is fed only perhaps. [mm]
    """
    start = clock_s + SLABS.approach_h * HOUR_S
    below, above = _cleaned(deep, start), _cleaned(shallow, start)
    shown, beside = daily_trend(below, SLABS.supply_min_move_pct), daily_trend(above, SLABS.supply_min_move_pct)
    if shown.direction is None or beside.direction is None:
        return Fed(Feeding.UNKNOWN, FarSide.TOO_EARLY, shown, None)
    loss = _loss(deep, shallow, below, above, thickness_mm)
    if shown.direction > 0:
        return Fed(Feeding.FED, FarSide.DEEP_RISES, shown, loss)
    if shown.direction < 0:
        return Fed(Feeding.NOT_FED, FarSide.DEEP_FALLS, shown, loss)
    if beside.direction < 0:
        return Fed(Feeding.PERHAPS, FarSide.DEEP_HOLDS, shown, loss)
    if loss is not None and shown.low > -loss / SLABS.supply_tighter:
        return Fed(Feeding.FED, FarSide.NEITHER_FALLS, shown, loss)
    return Fed(Feeding.PERHAPS, FarSide.NOT_CLEAR, shown, loss)


def _loss(
    deep: HourlySeries, shallow: HourlySeries, below: Array, above: Array, thickness_mm: float | None
) -> float | None:
    deep_mm, shallow_mm = deep.location.depth_mm, shallow.location.depth_mm
    if thickness_mm is None or deep_mm is None or shallow_mm is None:
        return None
    t = float(np.nanmean(deep.temperature_c[-len(below) :]))
    return expected_loss(float(np.nanmean(below)), float(np.nanmean(above)), deep_mm, shallow_mm, thickness_mm, t)
