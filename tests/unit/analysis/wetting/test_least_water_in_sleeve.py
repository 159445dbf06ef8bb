"""The least water into a sealed sleeve that is told: a twentieth less is not, a twentieth more is.

The records are made up; what is told of them follows from values that are our choice (`wetting/parameters.py`). That
sealed concrete rises by 0.2 to 0.5 % RH per K is published (Bažant and Najjar 1972).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from analysis_series import (
    OUTDOOR,
    ROOM,
    SLEEVE,
    START_S,
    hours,
    location,
    noise,
    references_until,
    track,
    track_at,
    until,
)

from monitord.analysis.series.hourly_series import ReferenceSeries
from monitord.analysis.wetting import sleeves
from monitord.model.series import HOUR_S, Array

DAYS = 30.0
H = hours(DAYS)
N = len(H)
WATER_H = 27 * 24
INSIDE = track_at(location(ROOM), 20.0, 900.0 + noise(N, 4.0, 1), DAYS)
OUTSIDE = track_at(location(OUTDOOR), 6.0, 600.0 + noise(N, 4.0, 2), DAYS)


def lagged(value: Array, tau_h: float, start: float) -> Array:
    """A first-order lag."""
    level, out = start, np.empty(N)
    for k in range(N):
        level += (value[k] - level) * (1.0 - np.exp(-1.0 / tau_h))
        out[k] = level
    return out


def since(hour: float, tau_h: float) -> Array:
    """From 0 to 1 since an hour."""
    return np.asarray(1.0 - np.exp(-np.clip(H - hour, 0.0, None) / tau_h))


RESTLESS = lagged(noise(N, 0.6 * np.sqrt(1.0 - np.exp(-1.0 / 6.0)), 8) / (1.0 - np.exp(-1.0 / 12.0)), 12.0, 0.0)


def told(
    by_pct: float,
    *,
    restless_pct: Array | None = None,
    t: Array | float = 18.0,
    warmth_pct: Array | float = 0.0,
    drying_pct_d: float = 0.06,
    sudden: bool = False,
    after_h: int = 36,
    looked_h: int = 24,
    sealed_for_h: float = WATER_H,
) -> bool:
    """Whether water that lifts a sleeve by so much is told within some hours, looking back over some."""
    water = by_pct * ((WATER_H <= H) if sudden else since(WATER_H, 8.0))
    scatter = noise(N, 0.05, 8) if restless_pct is None else restless_pct
    humidity = 85.0 - drying_pct_d * (H - WATER_H) / 24.0 + warmth_pct + scatter + water
    series = track(location(SLEEVE), np.broadcast_to(np.asarray(t, dtype=float), (N,)), humidity, DAYS)
    references, end = ReferenceSeries(INSIDE, INSIDE, OUTSIDE), WATER_H + after_h
    sealed_s = START_S + HOUR_S * (WATER_H - sealed_for_h)
    found, _ = sleeves.hits(until(series, end), references_until(references, end), sealed_s, looked_h)
    return bool(found.any())


WARMER_C = 18.0 + 4.0 * since(WATER_H - 12, 6.0)


def while_it_warms(by_pct: float) -> bool:
    """By four kelvin, half a day before; the sleeve follows at once."""
    return told(by_pct, t=WARMER_C, warmth_pct=0.3 * (WARMER_C - 18.0))


def while_it_warms_through(by_pct: float) -> bool:
    """The same, and the concrete follows a day late."""
    return told(by_pct, t=WARMER_C, warmth_pct=0.3 * (lagged(WARMER_C, 24.0, 18.0) - 18.0))


@pytest.mark.parametrize(
    ("told_of", "least_pct"),
    [
        (told, 1.015),
        (lambda by: told(by, sudden=True, after_h=6, looked_h=6), 0.990),
        (lambda by: told(by, restless_pct=RESTLESS), 2.761),
        (lambda by: told(by, drying_pct_d=0.8, after_h=70, looked_h=12), 2.884),  # it must rise all the same
        (lambda by: told(by, sudden=True, after_h=8, looked_h=8, sealed_for_h=250), 0.967),
        (while_it_warms, 1.311),
        (while_it_warms_through, 0.699),
    ],
    ids=["quiet", "quiet, soon", "restless", "drying fast", "young", "while it warms", "while it warms through"],
)
def test_the_least_water_that_is_told(told_of: Callable[[float], bool], least_pct: float) -> None:
    assert not told_of(0.95 * least_pct)
    assert told_of(1.05 * least_pct)


@pytest.mark.parametrize(("sealed_for_h", "is_told"), [(226, False), (242, True)])
def test_a_sleeve_is_judged_once_a_fit_and_a_record_of_three_days_each_are_known(
    sealed_for_h: float, is_told: bool
) -> None:
    """From two days after sealing on, and a day between each of them and the hour judged."""
    assert told(8.0, sudden=True, after_h=8, looked_h=8, sealed_for_h=sealed_for_h) is is_told
