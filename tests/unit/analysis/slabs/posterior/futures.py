"""Hand-made futures, days of a sleeve and the air over it, for the tests of its verdicts."""

from __future__ import annotations

import numpy as np

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.present_air import PresentAir
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure

TIME_D = np.concatenate([[0.0], np.cumsum(np.repeat(POSTERIOR.step_lengths_d, POSTERIOR.step_counts))])
END_S = 1_700_000_000.0


def falling(now: Array, end: Array, tau_d: float, fed: Array | None = None, read_pct: float = float("nan")) -> Outlook:
    """Futures that decay from `now` to `end`, each (draws,), over which the probe reads `read_pct`."""
    left = np.exp(-TIME_D / tau_d)
    course = end[:, None] + (now - end)[:, None] * left
    far = np.zeros(len(now), dtype=bool) if fed is None else fed.astype(bool)
    return Outlook(TIME_D, course, now, read_pct - now, far)


def level(value: float, n: int = 100) -> Array:
    """The same for every draw."""
    return np.full(n, value)


def air(wetter_pct: float = 0.0, since_s: float | None = None) -> PresentAir:
    """Air at half its saturation, so much wetter than its driest."""
    return PresentAir(1169.0, 15.0, 20.0, 20.0, 0.2, 50.0, wetter_pct, since_s)


def days_of(
    humidity: Array, air_pct: Array | float = 50.0, t: Array | float = 20.0, since_h: float = 240.0
) -> SleeveDays:
    """A sleeve's days, sealed ten days before the first, in air of a humidity at the sleeve's temperature."""
    n = len(humidity)
    warm = np.broadcast_to(np.asarray(t, dtype=float), n)
    both = np.column_stack([warm, warm])
    pressure = np.broadcast_to(air_pct, n)[:, None] / 100.0 * saturation_vapour_pressure(both)
    end_s = END_S + 86_400.0 * np.arange(1, n + 1)
    return SleeveDays(
        end_s, humidity, both, both, pressure, since_h + 24.0 * np.arange(n), float(humidity[0]), 1.0, 1.0
    )
