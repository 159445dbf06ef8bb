"""The innovation test against statsmodels' least squares, pandas' exponential mean and what Gaussian noise must do.

A normal prior is as good as further observations: with rows sqrt(λ) that observe each prior mean, ordinary least
squares (statsmodels) must give the same coefficients, and its standard error of the mean prediction the same leverage.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from monitord.analysis.wetting.innovations import (
    Innovations,
    Prior,
    Regression,
    exponential_mean,
    innovations,
    standard_score,
)
from monitord.analysis.wetting.parameters import WETTING

N, P = 700, 3
AT = 640
REGRESSION = Regression(24, 240, 12.0, 8.0, 0.7)
PRIOR = Prior(np.array([0.3, -0.2, 0.0]), np.array([0.4, 0.3, 0.5]))
NOISE = 7.0


def data(seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.normal(0.0, 1.0, (N, P)), axis=0) + np.array([800.0, 600.0, 1500.0])
    y = 120.0 + x @ [0.5, -0.1, 0.2] + rng.normal(0.0, NOISE, N)
    x[rng.random((N, P)) < 0.02] = np.nan
    y[rng.random(N) < 0.02] = np.nan
    return y, x


def by_statsmodels(y: np.ndarray, x: np.ndarray) -> tuple[object, np.ndarray]:
    """The fit to the training hours of hour `AT`, the priors as observations; and the regressors' mean of six hours."""
    import statsmodels.api as sm

    train = slice(AT - 24 + 1 - 240, AT - 24 + 1)
    known = np.isfinite(y[train]) & np.isfinite(x[train]).all(axis=1)
    weight = np.sqrt(12.0) * NOISE / PRIOR.sd
    rows = np.vstack([np.column_stack([np.ones(known.sum()), x[train][known]]), np.zeros((P, P + 1))])
    rows[-P:, 1:] = np.diag(weight)
    fit = sm.OLS(np.concatenate([y[train][known], weight * PRIOR.mean]), rows).fit()
    lately = np.concatenate([[1.0], np.nanmean(x[AT - WETTING.leverage_mean_h + 1 : AT + 1], axis=0)])
    return fit, lately


def ours(y: np.ndarray, x: np.ndarray) -> Innovations:
    return innovations(y, x, PRIOR, np.full(N, NOISE), 300, REGRESSION)


def test_the_coefficients_are_those_of_least_squares_with_the_priors_as_observations() -> None:
    y, x = data()
    fit, _ = by_statsmodels(y, x)
    found = ours(y, x)
    assert found.coefficient[AT, 1:] == pytest.approx(fit.params[1:], rel=1e-6)
    expected = np.concatenate([[1.0], x[AT]]) @ fit.params
    assert y[AT] - found.value[AT] == pytest.approx(expected, rel=1e-9)
    assert found.predicted_by(AT)[AT] == pytest.approx(expected, rel=1e-9)


def test_the_leverage_is_the_standard_error_of_the_mean_prediction() -> None:
    y, x = data()
    fit, lately = by_statsmodels(y, x)
    found = ours(y, x)
    # statsmodels' error is in units of its own residual variance: ours is over the hours alone, times the correlation
    unit = fit.get_prediction(lately).se_mean[0] / np.sqrt(fit.mse_resid)
    assert found.leverage_u[AT] == pytest.approx(np.sqrt(8.0 * found.variance[AT]) * unit, rel=1e-6)
    rows = fit.model.exog[:-P] @ fit.params
    assert found.variance[AT] == pytest.approx(np.mean((fit.model.endog[:-P] - rows) ** 2), rel=1e-6)


def test_the_error_of_a_sum_of_coefficients_is_that_of_least_squares() -> None:
    y, x = data()
    fit, _ = by_statsmodels(y, x)
    found = ours(y, x)
    total, se = found.coefficient_of([1, 2], 12.0, np.arange(len(found.value)))
    of_sum = np.array([0.0, 0.0, 1.0, 1.0]) @ (fit.cov_params() / fit.mse_resid) @ [0.0, 0.0, 1.0, 1.0]
    assert total[AT] == pytest.approx(fit.params[2] + fit.params[3], rel=1e-6)
    assert se[AT] == pytest.approx(np.sqrt(12.0 * found.variance[AT] * of_sum), rel=1e-6)


def test_nothing_is_said_before_enough_is_known_and_the_last_day_is_not_learned() -> None:
    y, x = data()
    assert np.isnan(innovations(y, x, PRIOR, np.full(N, NOISE), 0, REGRESSION).value[: WETTING.min_train_h + 22]).all()
    wetted = y.copy()
    wetted[AT - 20 :] += 500.0
    assert ours(wetted, x).value[AT] == pytest.approx(ours(y, x).value[AT] + 500.0, rel=1e-9)


@pytest.mark.parametrize("tau_h", [1.0, 12.0])
def test_the_exponential_mean_is_pandas_own(tau_h: float) -> None:
    value = np.cumsum(np.random.default_rng(1).normal(size=200))
    alpha = -np.expm1(-1.0 / tau_h)
    assert exponential_mean(value, tau_h) == pytest.approx(pd.Series(value).ewm(alpha=alpha, adjust=False).mean())


def test_the_exponential_mean_is_held_for_some_hours_and_no_longer() -> None:
    value = np.ones(60)
    value[20:40] = np.nan
    known = np.isfinite(exponential_mean(value, 3.0))
    assert known[: 20 + WETTING.max_held_h].all()
    assert not known[20 + WETTING.max_held_h : 40].any()
    assert np.isnan(exponential_mean(np.full(5, np.nan), 3.0)).all()


def test_the_score_of_gaussian_noise_is_standard_normal() -> None:
    rng = np.random.default_rng(9)
    mean = rng.normal(0.0, 2.0, 20_000)
    hours = np.arange(1000, 20_000, 7)
    score = standard_score(mean, np.zeros(20_000), hours, Regression(24, 240, 12.0, 12.0, 0.7))
    # the usual level counts only if it is over 0, and the scatter is estimated from 240 hours: both move a little
    assert np.mean(score) == pytest.approx(-0.05, abs=0.05)
    assert np.std(score) == pytest.approx(1.0, abs=0.06)
    assert np.mean(score > 1.645) == pytest.approx(0.05, abs=0.015)


def test_leverage_and_least_scatter_count_in_the_score() -> None:
    mean = np.random.default_rng(3).normal(0.0, 1.0, 600)
    at = np.array([599])
    plain = standard_score(mean, np.zeros(600), at, REGRESSION)[0]
    far = standard_score(mean, np.full(600, 3.0), at, REGRESSION)[0]
    least = standard_score(mean, np.zeros(600), at, Regression(24, 240, 12.0, 12.0, 0.7, min_scatter=4.0))[0]
    assert abs(far) < 0.4 * abs(plain)
    assert abs(least) < 0.3 * abs(plain)
    assert np.isnan(standard_score(mean[:90], np.zeros(90), np.array([89]), REGRESSION)[0])
