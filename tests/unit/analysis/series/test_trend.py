"""Trend and change: what must hold for any series. Worked examples are in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.trend import DailyTrend, daily_trend, lag_one, variance_factor
from monitord.model.series import Array

DAILY = arrays(np.float64, st.integers(8, 30), elements=st.integers(-50, 50).map(float))


def trend(daily: Array) -> DailyTrend:
    return daily_trend(daily, 0.0, per_day=1)


@settings(max_examples=40)
@given(DAILY)
def test_a_series_turned_round_or_upside_down_has_the_opposite_trend(y: Array) -> None:
    found, back, down = trend(y), trend(y[::-1]), trend(-y)
    assert found.slope == pytest.approx(-back.slope) == pytest.approx(-down.slope)
    assert found.p == pytest.approx(back.p, abs=1e-9) == pytest.approx(down.p, abs=1e-9)
    assert 0.0 <= found.p <= 1.0


@settings(max_examples=40)
@given(DAILY, st.floats(0.1, 10), st.floats(-100, 100))
def test_the_slope_follows_scale_and_offset(y: Array, scale: float, offset: float) -> None:
    expected, found = trend(y), trend(offset + scale * y)
    assert found.slope == pytest.approx(scale * expected.slope, abs=1e-6)
    assert expected.low <= expected.slope <= expected.high


def test_limits_beyond_every_slope_are_infinite() -> None:
    # A random walk of eight days: its autocorrelation is the largest that is taken, 1 - 1.5/8, and Var S = 65.3 becomes
    # 2.71 times as large. z·√Var S is 26 at 5 % and 34 at 1 %, of 28 pairs.
    walk = np.cumsum(np.random.default_rng(4).standard_normal(8))
    usual, strict = daily_trend(walk, 0.0, per_day=1), daily_trend(walk, 0.0, per_day=1, alpha=0.01)
    assert usual.autocorrelation == pytest.approx(0.8125)
    assert np.isfinite([usual.low, usual.high]).all()
    assert (strict.low, strict.high) == (-np.inf, np.inf)


@given(st.floats(-2, 2), st.integers(SERIES.trend_min_days, 20), st.integers(0, 23))
def test_a_clean_line_gives_its_own_slope(slope: float, days: int, odd_hours: int) -> None:
    hourly = 70.0 + slope * np.arange(24 * days + odd_hours) / 24.0
    found = daily_trend(hourly, 0.5)
    assert found.slope == pytest.approx(slope, abs=1e-9)
    assert found.days == days
    if abs(slope) * (days - 1) > 0.5:
        assert found.direction == np.sign(slope)
    elif abs(slope) * (days - 1) < 0.5:
        assert found.direction == 0


def test_a_significant_trend_that_does_not_matter_is_none() -> None:
    rng = np.random.default_rng(0)
    daily = -0.05 * np.arange(30) + 0.05 * rng.standard_normal(30)
    found = daily_trend(daily, 1.0, per_day=1)
    assert found.p < 1e-4
    assert found.direction == -1
    assert daily_trend(daily, 2.0, per_day=1).direction == 0


@pytest.mark.parametrize("days", [0, 1, SERIES.trend_min_days - 1])
def test_too_few_days_tell_nothing(days: int) -> None:
    assert daily_trend(np.linspace(90.0, 80.0, 24 * days), 0.1).direction is None


def test_too_few_days_among_many_missing_tell_nothing() -> None:
    daily = np.full(40, np.nan)
    daily[::8] = np.arange(5.0)
    assert daily_trend(daily, 0.1, per_day=1).direction is None


def test_a_reading_every_other_day_is_enough() -> None:
    daily = np.full(40, np.nan)
    daily[::2] = np.arange(20.0)
    found = daily_trend(daily, 0.1, per_day=1)
    assert (found.direction, found.days, found.slope) == (1, 20, 0.5)


@pytest.mark.parametrize("days", [8, 14, 28])
@pytest.mark.parametrize("noise_pct", [0.01, 0.1])
def test_a_drying_curve_that_flattens_is_falling(days: int, noise_pct: float) -> None:
    # pre-whitening takes such a curve for a rising one; a straight line takes its bend for autocorrelation
    rng = np.random.default_rng(days)
    day = np.arange(days)
    curve = 80.0 + 10.0 * np.exp(-day / (days / 3.0)) + noise_pct * rng.standard_normal(days)
    assert daily_trend(curve, 1.0, per_day=1).direction == -1


def test_the_limits_of_a_slope_hold_it_as_often_as_they_say() -> None:
    # AR(1) noise of 0.5 about a line; 95 % limits of 200 series, three standard errors below that is 90 %
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(200):
        noise = rng.standard_normal(28)
        for i in range(1, 28):
            noise[i] = 0.5 * noise[i - 1] + np.sqrt(0.75) * noise[i]
        found = daily_trend(-0.2 * np.arange(28) + noise, 0.0, per_day=1)
        held += found.low <= -0.2 <= found.high
    assert held >= 180


@given(st.integers(3, 200), st.floats(0, 1), st.floats(0, 1))
def test_more_autocorrelation_widens_more(n: int, some: float, more: float) -> None:
    low, high = sorted((some, more))
    assert 1.0 <= variance_factor(n, low) <= variance_factor(n, high) + 1e-12
    assert variance_factor(n, 0.0) == 1.0


def test_a_week_missing_in_the_middle_does_not_hide_a_trend() -> None:
    rng = np.random.default_rng(1)
    daily = -0.3 * np.arange(30) + 0.2 * rng.standard_normal(30)
    daily[10:17] = np.nan
    found = daily_trend(daily, 1.0, per_day=1)
    assert found.direction == -1
    assert found.low < -0.3 < found.high


@given(st.floats(-50, 50), st.integers(SERIES.trend_min_days, 15))
def test_a_constant_has_no_trend(level: float, days: int) -> None:
    found = daily_trend(np.full(24 * days, level), 0.0)
    assert (found.direction, found.p) == (0, 1.0)
    assert lag_one(np.full(10, level)) == pytest.approx(0.0, abs=1.0)


def test_daily_swings_do_not_pass_for_a_trend() -> None:
    hours = np.arange(24 * 10)
    assert daily_trend(60.0 + 10.0 * np.sin(2 * np.pi * hours / 24.0), 0.2).direction == 0
