"""Means over trailing hours and lines through days, against pandas and scipy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitord.analysis.series.rolling import day_means, lagged, line, trailing_mean
from monitord.model.series import Array

GAPPY = arrays(
    np.float64, st.integers(1, 80), elements=st.one_of(st.floats(-50, 50), st.just(np.nan)), fill=st.nothing()
)


@settings(max_examples=60)
@given(GAPPY, st.integers(1, 30))
def test_a_trailing_mean_is_that_of_pandas(value: Array, hours: int) -> None:
    # pandas 2: rolling mean, right-aligned, as many values known as half the window, rounded up
    minimum = max(1, int(np.ceil(0.5 * hours)))
    expected = pd.Series(value).rolling(hours, min_periods=minimum).mean().to_numpy()
    assert trailing_mean(value, hours) == pytest.approx(expected, abs=1e-9, nan_ok=True)


@given(GAPPY, st.integers(0, 90))
def test_lagged_is_the_shift_of_pandas(value: Array, hours: int) -> None:
    assert lagged(value, hours) == pytest.approx(pd.Series(value).shift(hours).to_numpy(), nan_ok=True)


def test_day_means_count_back_from_the_end() -> None:
    value = np.r_[np.full(10, 99.0), np.full(24, 1.0), np.full(24, 2.0)]
    assert day_means(value, 3).tolist()[1:] == [1.0, 2.0]
    assert np.isnan(day_means(value, 3)[0])  # ten hours are not half of a day
    assert day_means(np.empty(0), 2) == pytest.approx([np.nan, np.nan], nan_ok=True)


def test_a_day_needs_half_of_its_hours() -> None:
    value = np.full(24, 5.0)
    value[:12] = np.nan
    assert day_means(value, 1).tolist() == [5.0]
    value[12] = np.nan
    assert np.isnan(day_means(value, 1)[0])


@settings(max_examples=60)
@given(arrays(np.float64, st.integers(3, 30), elements=st.floats(-50, 50)), st.data())
def test_a_line_has_the_slope_of_scipy(value: Array, data: st.DataObject) -> None:
    holes = data.draw(arrays(np.bool_, len(value)))
    if (~holes).sum() < 3:
        holes[:] = False
    gappy = np.where(holes, np.nan, value)
    x = np.flatnonzero(~holes)
    slope, error, spread = line(gappy)
    expected = scipy.stats.linregress(x, value[x])
    assert slope == pytest.approx(expected.slope, abs=1e-6)
    assert spread >= 0.0
    # the standard error is the usual one, widened for the correlation of neighbouring residuals, never narrowed
    assert error >= np.nan_to_num(expected.stderr) - 1e-9  # scipy has none for a constant


def test_alternating_residuals_leave_the_usual_standard_error() -> None:
    value = np.array([0.0, 1.0] * 8)
    expected = scipy.stats.linregress(np.arange(16), value)
    assert line(value)[1] == pytest.approx(expected.stderr, rel=1e-9)


def test_a_line_through_fewer_than_three_values_is_not_known() -> None:
    assert line(np.array([1.0, np.nan, 2.0])) == (0.0, np.inf, np.inf)


def test_a_slow_wave_about_the_line_widens_the_standard_error_three_times_at_most() -> None:
    """sqrt((1 + r) / (1 - r)) for an AR(1) series (Bayley and Hammersley 1946, from memory), with r held at 0.8."""
    wave = np.sin(2 * np.pi * np.arange(60) / 60)
    usual = scipy.stats.linregress(np.arange(60), wave).stderr
    assert line(wave)[1] / usual == pytest.approx(3.0, rel=1e-6)
    quicker = np.sin(2 * np.pi * np.arange(60) / 7)  # r is about cos(2 pi / 7) = 0.62: below what it is held at
    assert line(quicker)[1] / scipy.stats.linregress(np.arange(60), quicker).stderr == pytest.approx(2.07, abs=0.1)
