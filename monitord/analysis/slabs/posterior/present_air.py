"""The air that a slab is taken to go on drying into: that of the last week, or since it changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure


@dataclass(frozen=True)
class PresentAir:
    """The air to come, means with standard uncertainties."""

    vapour_pressure_pa: float
    """NaN where nobody measures it."""
    u_vapour_pressure_pa: float
    room_c: float
    sleeve_c: float
    u_temperature_k: float
    humidity_pct: float
    """Its vapour as humidity at the sleeve's temperature; NaN where it is not measured."""
    wetter_pct: float
    """How much wetter that is than the driest three days so far; 0 where it is not known."""
    wetter_since_s: float | None
    """End of the last day on which the air was within half of that of its driest; None where it never was."""


def air_humidity(days: SleeveDays) -> Array:
    """Vapour of the air as relative humidity at the sleeve's temperature, by day, (days,). [%]"""
    return np.asarray((100.0 * days.vapour_pressure_pa / saturation_vapour_pressure(days.sleeve_c)).mean(axis=1))


def present_air(days: SleeveDays) -> PresentAir:
    """The air to come, as of the last day."""
    humidity = air_humidity(days)
    count = _since_change(humidity)
    lately = slice(-count, None)
    pressure = days.vapour_pressure_pa.mean(axis=1)
    spread_over = slice(-max(count, POSTERIOR.driest_days), None)
    independent = max(count, 1) / 2.0
    u_pressure = max(POSTERIOR.min_u_air_pa, float(np.std(pressure[spread_over])) / independent**0.5)
    level = float(humidity[lately].mean())
    best, since = _driest(humidity, level, days.end_s)
    return PresentAir(
        float(pressure[lately].mean()),
        u_pressure,
        float(days.room_c[lately].mean()),
        float(days.sleeve_c[lately].mean()),
        float(np.std(days.day_c[spread_over])) / independent**0.5,
        level,
        max(level - best, 0.0) if np.isfinite(best) else 0.0,
        since,
    )


def _since_change(humidity: Array) -> int:
    """Days since the air changed, else `POSTERIOR.air_days`, or as many as there are."""
    for count, least in POSTERIOR.air_jumps:
        if len(humidity) < count + POSTERIOR.jump_before_d:
            break
        now, before = humidity[-count:], humidity[-count - POSTERIOR.jump_before_d : -count]
        error = float(np.std(before, ddof=1)) * (1.0 / count + 1.0 / POSTERIOR.jump_before_d) ** 0.5
        if abs(now.mean() - before.mean()) > max(least, POSTERIOR.jump_errors * error):
            return count
    return min(POSTERIOR.air_days, len(humidity))


def _driest(humidity: Array, level: float, end_s: Array) -> tuple[float, float | None]:
    """Least mean of three days so far, and the end of the last day that was nearer to it than to the present level."""
    if len(humidity) < POSTERIOR.driest_days or not np.isfinite(humidity).all():
        return float("nan"), None
    best = float(np.convolve(humidity, np.full(POSTERIOR.driest_days, 1.0 / POSTERIOR.driest_days), "valid").min())
    dry = np.flatnonzero(humidity <= 0.5 * (best + level))
    return best, float(end_s[dry[-1]]) if len(dry) else None
