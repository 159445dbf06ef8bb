"""What the outdoor air brings into a room is learned from the days before: its share and its lag."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy.signal import lfilter

from monitord.analysis.air.air_change import explained_rise
from monitord.analysis.wetting.rewetting import rises
from monitord.model.series import Array

N = 20 * 24
DAYS_BACK = partial(rises, mean_h=6)
SCATTER = np.random.default_rng(3).normal(0.0, 0.3, N)


def weather() -> Array:
    """Fronts of some days, as a red noise of 5 % RH."""
    noise = np.random.default_rng(5).normal(0.0, 1.0, N)
    return np.asarray(50.0 + 0.9 * lfilter([1.0], [1.0, -0.985], noise))


def late(value: Array, hours: float) -> Array:
    """First-order lag."""
    keep = float(np.exp(-1.0 / hours))
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], value, zi=[keep * value[0]])[0])


@pytest.mark.parametrize(("share", "hours"), [(1.0, 6.0), (0.6, 2.0), (0.6, 24.0), (0.5, 12.0)])
def test_share_and_lag_of_a_room_are_found(share: float, hours: float) -> None:
    outside = weather()
    level = 30.0 + share * late(outside, hours) + SCATTER
    brought, rise = explained_rise(level, outside, DAYS_BACK), DAYS_BACK(level)
    settled = slice(15 * 24, N)
    left = (rise - brought)[:, settled].std()
    assert left < np.hypot(0.3 * rise[:, settled].std(), 0.3)  # the scatter can't be explained


def test_of_a_room_that_does_not_follow_the_weather_it_brings_little() -> None:
    outside = weather()
    brought = explained_rise(45.0 + SCATTER, outside, DAYS_BACK)
    assert np.abs(brought[:, 15 * 24 :]).max() < 0.2 * np.abs(DAYS_BACK(outside)[:, 15 * 24 :]).max()


def test_before_anything_is_learned_the_room_is_taken_to_follow() -> None:
    outside = weather()
    brought = explained_rise(45.0 + SCATTER, outside, DAYS_BACK)
    early = slice(24 + 6, 60)
    np.testing.assert_allclose(brought[0, early], DAYS_BACK(late(outside, 2.0))[0, early], atol=1e-9)


def test_a_change_of_today_does_not_explain_itself() -> None:
    outside = weather()
    level = 30.0 + 0.4 * late(outside, 6.0) + SCATTER
    outside[-6:] += 12.0
    level[-6:] += 12.0
    brought = explained_rise(level, outside, DAYS_BACK)
    assert brought[0, -1] < 8.0


def test_gaps_and_an_unknown_outdoor_air_bring_nothing_to_know() -> None:
    level = 45.0 + SCATTER
    assert not explained_rise(level, np.full(N, np.nan), DAYS_BACK).any()
    outside = weather()
    outside[100:130] = np.nan
    assert np.isfinite(explained_rise(level, outside, DAYS_BACK)).all()
    assert explained_rise(level[:0], outside[:0], DAYS_BACK).shape == (3, 0)
