"""Trend and change against worked examples, reference libraries, and the false alarms of a plain test.

The worked examples are: fourteen values worked by hand in teaching notes of the College of the Holy Cross; the
annual flow of the Nile at Aswan, 1871 to 1970, from `statsmodels.datasets.nile`. The table of false alarms of trend
tests on AR(1) noise, and the run lengths of CUSUM charts (Page 1954), were computed independently of this program.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
import statsmodels.datasets.nile
from scipy.signal import lfilter
from statsmodels.tsa.stattools import acf

from monitord.analysis.series.trend import daily_trend, lag_one, mann_kendall, sen_slope
from monitord.model.series import Array

HOLY_CROSS = np.array([12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7])


@pytest.fixture(scope="module")
def nile() -> Array:
    return statsmodels.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=np.float64)


def noise(rng: np.random.Generator, phi: float, n: int) -> Array:
    """AR(1) noise of unit variance, stationary from its first value."""
    start = phi * rng.standard_normal(1)
    return lfilter([np.sqrt(1.0 - phi**2)], [1.0, -phi], rng.standard_normal(n), zi=start)[0]


def test_the_worked_example_of_the_mann_kendall_test() -> None:
    # printed with six significant figures; Z to 1e-4
    found = mann_kendall(HOLY_CROSS)
    assert (found.n, found.s) == (14, 54)
    assert found.variance == pytest.approx(332.667, abs=5e-4)
    assert found.z == pytest.approx(2.9058, abs=1e-4)
    assert found.p == pytest.approx(0.00366, abs=5e-6)
    assert sen_slope(HOLY_CROSS).slope == pytest.approx(0.5667, abs=5e-5)


def test_five_values_have_an_exact_probability() -> None:
    found = mann_kendall(np.array([9.0, 4.0, 7.0, 5.0, 3.0]))
    assert (found.s, found.tau) == (-6, pytest.approx(-0.6))
    assert found.p == pytest.approx(0.2333, abs=5e-5)


def test_the_nile_falls_over_its_hundred_years(nile: Array) -> None:
    trend, slope = mann_kendall(nile), sen_slope(nile)
    assert nile.mean() == pytest.approx(919.35)
    assert trend.s == -1387
    assert trend.z == pytest.approx(-4.12807, abs=1e-4)
    assert slope.slope == pytest.approx(-2.6, abs=5e-3)
    # the estimators of 0.505 differ by terms of 1/n
    assert lag_one(nile) == pytest.approx(0.505, abs=0.005)


def test_the_nile_has_a_step_and_no_trend_beside_it(nile: Array) -> None:
    for part in (nile[:28], nile[28:]):
        assert daily_trend(part, 0.0, per_day=1).direction == 0


@pytest.mark.parametrize("n", [2, 5, 10, 30, 31, 80])
def test_mann_kendall_agrees_with_scipy(n: int) -> None:
    # scipy's tau b is tau a without ties; its exact method is another algorithm than ours
    rng = np.random.default_rng(n)
    for _ in range(10):
        values = rng.standard_normal(n)
        found = mann_kendall(values)
        exact = scipy.stats.kendalltau(np.arange(n), values, method="exact" if n <= 30 else "asymptotic")
        assert found.tau == pytest.approx(exact.statistic, abs=1e-12)
        if n <= 30:
            assert found.p == pytest.approx(exact.pvalue, rel=1e-9)
        else:  # scipy leaves the continuity correction of 1/sqrt(Var S) out
            assert found.p == pytest.approx(exact.pvalue, abs=0.06)


@pytest.mark.parametrize("decimals", [6, 0])
def test_sen_slope_and_its_limits_agree_with_scipy(decimals: int) -> None:
    # scipy.stats.theilslopes takes its limits from Sen 1968 as we do; 0 decimals makes ties
    rng = np.random.default_rng(3)
    for n in (6, 15, 40):
        values = np.round(0.2 * np.arange(n) + 2.0 * rng.standard_normal(n), decimals)
        expected = scipy.stats.theilslopes(values, np.arange(n), alpha=0.95)
        found = sen_slope(values)
        assert found.slope == pytest.approx(expected.slope, abs=1e-12)
        if np.isfinite([found.low, found.high]).all():
            assert found.low == pytest.approx(expected.low_slope, abs=1e-12)
            assert found.high == pytest.approx(expected.high_slope, abs=1e-12)


def test_autocorrelation_agrees_with_statsmodels(nile: Array) -> None:
    assert lag_one(nile) == pytest.approx(acf(nile, adjusted=True, nlags=1)[1], rel=1e-9)


def test_false_alarms_on_noise_stay_near_five_percent_where_a_plain_test_cries_wolf(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Plain test, n = 100, from the independent table; one standard error of 300 runs is 0.013 at 0.05, 0.029 at 0.5.
    # Ours may not pass 0.05 by 3 standard errors up to 0.9; at 0.97, where a hundred values hardly tell the noise from
    # a random walk, not what the best published method makes of it (pre-whitening: 0.16). With an effect of two
    # standard deviations asked for as well, that wandering may pass for a trend still less often. Hourly noise judged
    # by day is the use it is made for.
    plain_table = {0.0: 0.05, 0.6: 0.28, 0.9: 0.63, 0.97: 0.77}
    maximum, runs, n = {0.0: 0.09, 0.6: 0.09, 0.9: 0.09, 0.97: 0.16}, 300, 100
    rng = np.random.default_rng(20)
    rows = []
    for phi, expected in plain_table.items():
        series = [noise(rng, phi, n) for _ in range(runs)]
        plain = np.mean([mann_kendall(x).p < 0.05 for x in series])
        trends = [daily_trend(x, 0.0, per_day=1) for x in series]
        told = np.mean([t.direction != 0 for t in trends])
        large = np.mean([t.direction != 0 and abs(t.slope) * (n - 1) >= 2.0 for t in trends])
        hourly = [daily_trend(noise(rng, phi, 24 * 28), 0.0) for _ in range(runs)]
        by_day = np.mean([t.direction != 0 for t in hourly])
        rows.append((phi, plain, told, large, by_day))
        assert plain == pytest.approx(expected, abs=3 * np.sqrt(expected * (1 - expected) / runs) + 0.005)
        assert told <= maximum[phi]
        assert large <= 0.09
        assert by_day <= 0.09
    with capsys.disabled():
        print("\nfalse alarms of trend tests at 5 %: phi, plain, ours, ours with effect, ours on hourly noise by day")
        for row in rows:
            print("".join(f"{value:8.3f}" for value in row))
