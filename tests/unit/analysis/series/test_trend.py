"""Trend and change: what must hold for any series. Worked examples are in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.trend import daily_trend, lag_one, mann_kendall, sen_slope, variance_factor
from monitord.model.series import Array

VALUES = arrays(np.float64, st.integers(2, 40), elements=st.integers(-50, 50).map(float))


@settings(max_examples=40)
@given(VALUES)
def test_a_series_turned_round_or_upside_down_has_the_opposite_trend(y: Array) -> None:
    found, back, down = mann_kendall(y), mann_kendall(y[::-1]), mann_kendall(-y)
    assert found.s == -back.s == -down.s
    assert found.p == pytest.approx(back.p) == pytest.approx(down.p)
    assert sen_slope(-y).slope == pytest.approx(-sen_slope(y).slope)
    assert 0.0 < found.p <= 1.0
    assert -1.0 <= found.tau <= 1.0


@settings(max_examples=40)
@given(VALUES)
def test_only_the_order_counts_for_mann_kendall(y: Array) -> None:
    assert mann_kendall(np.exp(y / 10.0)).s == mann_kendall(y).s


@settings(max_examples=40)
@given(VALUES, st.floats(0.1, 10), st.floats(-100, 100), st.floats(-3, 3))
def test_sen_slope_follows_scale_offset_and_an_added_line(y: Array, scale: float, offset: float, line: float) -> None:
    expected = sen_slope(y)
    found = sen_slope(offset + scale * y + line * np.arange(len(y)))
    assert found.slope == pytest.approx(scale * expected.slope + line, abs=1e-6)
    assert expected.low <= expected.slope <= expected.high


@settings(max_examples=40)
@given(VALUES, st.data())
def test_missing_values_are_left_out(y: Array, data: st.DataObject) -> None:
    holes = data.draw(arrays(np.bool_, len(y)))
    gappy = np.where(holes, np.nan, y)
    assert mann_kendall(gappy) == mann_kendall(y[~holes])
    times = np.arange(len(y), dtype=float)
    assert sen_slope(gappy) == sen_slope(y[~holes], times[~holes])


def test_sen_slope_counts_by_the_times_given() -> None:
    assert sen_slope(np.array([0.0, 3.0, 4.0]), np.array([0.0, 3.0, 4.0])).slope == pytest.approx(1.0)


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
