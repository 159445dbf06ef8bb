"""Trend against worked examples, reference libraries, and the false alarms of a plain test.

The worked examples are: fourteen values worked by hand in teaching notes of the College of the Holy Cross; the
annual flow of the Nile at Aswan, 1871 to 1970, from `statsmodels.datasets.nile`. The table of false alarms of trend
tests on AR(1) noise was computed independently of this program.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from scipy.signal import lfilter
from scipy.special import ndtr

from monitord.analysis.series.trend import DailyTrend, daily_trend, lag_one, variance_factor
from monitord.model.series import Array

HOLY_CROSS = np.array([12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7])


@pytest.fixture(scope="module")
def nile() -> Array:
    from statsmodels.datasets import nile

    return nile.load_pandas().data["volume"].to_numpy(dtype=np.float64)


def noise(rng: np.random.Generator, phi: float, n: int) -> Array:
    """AR(1) noise of unit variance, stationary from its first value."""
    start = phi * rng.standard_normal(1)
    return lfilter([np.sqrt(1.0 - phi**2)], [1.0, -phi], rng.standard_normal(n), zi=start)[0]


def widened_p(z: float, found: DailyTrend) -> float:
    """Two-sided p of a printed normal score, with the variance widened for the autocorrelation that was found."""
    return 2.0 * float(ndtr(-abs(z) / np.sqrt(variance_factor(found.days, found.autocorrelation))))


def test_the_worked_example_of_the_mann_kendall_test() -> None:
    # printed: S 54, Var S 332.667, slope 0.5667; the printed Z 2.9058 has the continuity correction of 1, ours has not
    found = daily_trend(HOLY_CROSS, 0.0, per_day=1)
    assert found.slope == pytest.approx(0.5667, abs=5e-5)
    assert found.p == pytest.approx(widened_p(54.0 / np.sqrt(332.667), found), rel=1e-4)
    assert found.direction == 1


def test_the_nile_falls_over_its_hundred_years(nile: Array) -> None:
    # printed: S -1387, Z -4.12807 with the continuity correction, so √Var S is 1386/4.12807
    found = daily_trend(nile, 0.0, per_day=1)
    assert nile.mean() == pytest.approx(919.35)
    assert found.slope == pytest.approx(-2.6, abs=5e-3)
    assert found.p == pytest.approx(widened_p(1387.0 / (1386.0 / 4.12807), found), rel=1e-4)
    # the estimators of 0.505 differ by terms of 1/n
    assert lag_one(nile) == pytest.approx(0.505, abs=0.005)


def test_the_nile_has_a_step_and_no_trend_beside_it(nile: Array) -> None:
    for part in (nile[:28], nile[28:]):
        assert daily_trend(part, 0.0, per_day=1).direction == 0


def test_autocorrelation_agrees_with_statsmodels(nile: Array) -> None:
    from statsmodels.tsa.stattools import acf

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
        plain = np.mean([scipy.stats.kendalltau(np.arange(n), x).pvalue < 0.05 for x in series])
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
