"""Water from below: concrete that turns. Its courses are series solutions (Crank 1975, eq. 4.17), not ours."""

from __future__ import annotations

from collections.abc import Callable

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


# -- just below and just above; the courses are exponential, and the limits our choice (`wetting/parameters.py`) ------


def turns(by_pct_d: float, at_day: float = 38.0, falls_pct: float = 8.0) -> Array:
    """Concrete that dries exponentially and is wetted by so much a day from a day on."""
    return np.asarray(88.0 + falls_pct * np.exp(-DAY / 25.0) + fed(at_day, by_pct_d))


def told(humidity: Array, air: Array | float = 45.0, swing_k: float = 0.0, days: float = 56.0) -> bool:
    n = round(24 * days)
    warm = np.asarray(20.0 + swing_k * np.sin(2 * np.pi * DAY / 9.0))
    return find_slow_rise(humidity[:n], warm[:n], np.broadcast_to(air, len(H))[:n], MINIMUM) is not None


def lifted(by_pct: float) -> Array:
    """Within four days, and hardly more afterwards."""
    return turns(0.02, 50.0) + by_pct * np.clip((DAY - 46.0) / 4.0, 0.0, 1.0)


def fallen(by_pct: float) -> Array:
    """A turn of which so much is lost again within three days."""
    turned = turns(0.35)
    return np.where(DAY < 52, turned, turned[52 * 24] - by_pct * np.clip(DAY - 52, 0.0, 3.0) / 3.0)


@pytest.mark.parametrize(
    ("told_of", "least"),
    [
        (lambda by: told(turns(by, 40.0)), 0.0878),
        (lambda by: told(88.0 - 0.12 * DAY + fed(40.0, by)), 0.1437),  # a straight course does not slow down
        (lambda by: told(lifted(by)), 0.957),
        (lambda by: not told(fallen(by), days=58.0), 0.596),  # half the least departure is lost again
        (lambda by: not told(turns(0.3, 40.0), swing_k=0.5 * by), 13.41),  # a fifth of a per cent for each kelvin
        (lambda below: told(turns(0.35), air=turns(0.35) - below), 0.689),  # air as wet as the concrete less 1 %
    ],
    ids=["a day", "a day, straight", "in all", "back", "range of temperature", "air below the concrete"],
)
def test_the_least_that_is_told_or_that_hides_it(told_of: Callable[[float], bool], least: float) -> None:
    assert not told_of(0.95 * least)
    assert told_of(1.05 * least)


@pytest.mark.parametrize(("missing_d", "is_told"), [(7.9, True), (9.1, False)])
def test_seven_days_in_ten_must_be_known(missing_d: float, is_told: bool) -> None:
    humidity = turns(0.35)
    humidity[round(24 * (50.0 - missing_d)) : 50 * 24] = np.nan
    assert told(humidity) is is_told


@pytest.mark.parametrize(("since_d", "is_told"), [(14.8, True), (16.4, False)])
def test_air_that_became_wetter_explains_what_is_seen_from_then_on(since_d: float, is_told: bool) -> None:
    """From 6 % over its driest week on, as a mean of three days, air explains a turn; earlier hits still stand."""
    assert told(turns(0.35), air=45.0 + 12.0 * (56.0 - since_d < DAY)) is is_told
