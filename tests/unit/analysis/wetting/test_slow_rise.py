"""Water from below: concrete that turns. Its courses are series solutions (Crank 1975, eq. 4.17), not ours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.analysis.wetting.slow_rise import find_slow_rise
from monitord.model.series import Array

DAYS = 60
H = np.arange(24 * DAYS)
DAY = H / 24.0
DRY_AIR = np.full(len(H), 45.0)
MINIMUM = 1.0


def drying(tau_d: float = 90.0, depth_share: float = 0.4, start_d: float = 10.0) -> Array:
    """A depth of a slab that dries to one side: Crank's series, from 95 to 45 %RH."""
    terms = np.arange(40)
    at = np.cos(np.pi * (2 * terms + 1) * (1.0 - depth_share) / 2.0)
    decay = np.exp(-((2 * terms + 1) ** 2) * (DAY[:, None] + start_d) / tau_d)
    share = 4.0 / np.pi * (((-1.0) ** terms / (2 * terms + 1)) * at * decay).sum(axis=1)
    return np.asarray(45.0 + 50.0 * share)


def noise(seed: int) -> Array:
    return np.random.default_rng(seed).normal(0.0, 0.1, len(H))


def warmth(swing_k: float = 0.3) -> Array:
    return np.asarray(20.0 + swing_k * np.sin(2 * np.pi * DAY / 9.0))


def fed(from_day: float, per_day: float) -> Array:
    return np.asarray(per_day * np.maximum(DAY - from_day, 0.0))


def first_seen(humidity: Array, temperature: Array, air: Array) -> float | None:
    for n in range(24, len(H) + 1, 12):
        if find_slow_rise(humidity[:n], temperature[:n], air[:n], MINIMUM) is not None:
            return n / 24.0
    return None


@given(
    tau_d=st.floats(40.0, 400.0),
    depth_share=st.floats(0.1, 0.9),
    start_d=st.floats(3.0, 60.0),
    seed=st.integers(0, 1000),
)
def test_concrete_that_dries_by_its_own_law_never_turns(
    tau_d: float, depth_share: float, start_d: float, seed: int
) -> None:
    humidity = drying(tau_d, depth_share, start_d) + noise(seed)
    assert find_slow_rise(humidity, warmth(), DRY_AIR, MINIMUM) is None


@pytest.mark.parametrize("per_day", [0.45, 0.6, 0.9])
def test_water_from_below_is_seen_within_two_weeks_of_the_turn(per_day: float) -> None:
    humidity = drying() + fed(30.0, per_day) + noise(1)
    lowest = float(DAY[30 * 24 :][np.argmin(humidity[30 * 24 :])])
    seen = first_seen(humidity, warmth(), DRY_AIR)
    assert seen is not None
    assert 30.0 < seen < max(lowest, 30.0) + 14.0


def test_what_is_told_is_where_it_stood_and_where_it_would_have_come_to() -> None:
    humidity = drying() + fed(30.0, 0.6)
    slow_rise = find_slow_rise(humidity[: 45 * 24], warmth()[: 45 * 24], DRY_AIR[: 45 * 24], MINIMUM)
    assert slow_rise is not None
    day = 45 - slow_rise.days_ago
    at = slice((day - 1) * 24, day * 24)
    assert slow_rise.level == pytest.approx(humidity[at].mean(), abs=0.05)
    assert slow_rise.course == pytest.approx(drying()[at].mean(), abs=1.0)


def test_air_that_became_wetter_explains_a_turn() -> None:
    humidity = drying() + fed(30.0, 0.6) + noise(2)
    assert first_seen(humidity, warmth(), DRY_AIR + 15.0 * (DAY > 28.0)) is None


def test_air_as_wet_as_the_concrete_explains_a_turn() -> None:
    humidity = drying() + fed(30.0, 0.6) + noise(2)
    assert first_seen(humidity, warmth(), np.full(len(H), 96.0)) is None


def test_a_turn_while_the_temperature_wanders_far_is_not_told() -> None:
    humidity = drying() + fed(30.0, 0.45) + noise(3)
    assert first_seen(humidity, warmth(8.0), DRY_AIR) is None


def test_it_is_over_once_the_concrete_has_fallen_back() -> None:
    humidity = drying() + fed(25.0, 0.6) - fed(40.0, 1.6) + noise(4)
    n = 40 * 24
    assert find_slow_rise(humidity[:n], warmth()[:n], DRY_AIR[:n], MINIMUM) is not None
    assert find_slow_rise(humidity, warmth(), DRY_AIR, MINIMUM) is None


def test_nothing_is_told_by_less_than_a_course_or_while_nothing_is_heard() -> None:
    humidity = drying() + fed(5.0, 0.9) + noise(5)
    n = 24 * 24
    assert find_slow_rise(humidity[:n], warmth()[:n], DRY_AIR[:n], MINIMUM) is None
    silent = drying() + fed(30.0, 0.6)
    silent[-72:] = np.nan
    assert find_slow_rise(silent, warmth(), DRY_AIR, MINIMUM) is None
