"""Curves that the analysis fits and draws, against their closed forms.

Exponential approach: 1 - exp(-t/τ) is 0.63212 at 1τ, 0.86466 at 2τ, 0.95021 at 3τ; within 1 of a step of 40 at 3.689τ.
Slab: Crank 1975 §4.3, one face sealed and the other held, constant diffusivity, printed to four digits. Concrete's
diffusivity is constant above about 90 % RH (Bažant and Najjar 1972), so there our finite volumes must follow Crank.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from monitord.analysis.forecast.first_order_fit import (
    FirstOrderFit,
    FirstOrderPrior,
    fit_first_order,
    quantile,
    times_to,
)
from monitord.analysis.slabs.equilibrium_fit import EquilibriumFit, fit_equilibrium
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import Array

STEADY_C = 18.0
USUAL_TAU_H = AnalysisOptions().sleeve_tau_h


def approach(
    hours: float, tau_h: float, step_pct: float = 40.0, noise_pct: float = 0.0, seed: int = 0
) -> EquilibriumFit:
    """A sleeve sealed at hour 0 that rises by `step_pct` to 88 %, seen until now."""
    t = np.arange(0.5, hours)
    value = 88.0 - step_pct * np.exp(-t / tau_h) + noise_pct * np.random.default_rng(seed).standard_normal(len(t))
    return fit_equilibrium(t, value, np.full(len(t), STEADY_C), USUAL_TAU_H)


@pytest.mark.parametrize("tau_h", [8.0, 14.0, 22.0])
@pytest.mark.parametrize("taus", [2.0, 3.0, 4.0, 5.0])
def test_the_gap_that_is_left_is_that_of_the_exponential(tau_h: float, taus: float) -> None:
    # 40·exp(-t/τ) of the last hour seen, within what the fit itself says it may be off (3 standard deviations) and the
    # coarseness of its grid: time constants are tried 17 % apart, which moves the gap by up to 12 %
    fit = approach(taus * tau_h, tau_h)
    left = -40.0 * np.exp(-(np.ceil(taus * tau_h) - 0.5) / tau_h)
    assert fit.gap == pytest.approx(left, abs=3.0 * fit.gap_sd + 0.12 * abs(left))
    assert fit.level == pytest.approx(88.0, abs=3.0 * fit.level_sd)


def test_a_step_of_forty_is_within_one_after_3_689_time_constants() -> None:
    before, after = approach(3.3 * 14.0, 14.0), approach(4.1 * 14.0, 14.0)
    assert abs(before.gap) > 1.0 > abs(after.gap)


@pytest.mark.parametrize("tau_h", [8.0, 20.0])
def test_the_uncertainty_shrinks_as_hours_come_in(tau_h: float) -> None:
    sds = [approach(hours, tau_h, noise_pct=0.1).level_sd for hours in (12, 24, 48, 72, 120)]
    assert all(late < 1.1 * early for early, late in itertools.pairwise(sds))
    assert sds[-1] < 0.5


def test_eighty_percent_intervals_hold_the_level_at_least_that_often() -> None:
    # 120 sleeves with time constants as the prior takes them (lognormal, median 14 h) and 0.2 % of noise;
    # 80 % less three standard errors is 69 %
    rng = np.random.default_rng(11)
    for hours in (24, 48):
        held = 0
        for seed in range(120):
            tau = 14.0 * np.exp(0.7 * rng.standard_normal())
            fit = approach(hours, float(tau), float(rng.uniform(10, 45)), 0.2, seed)
            held += abs(fit.level - 88.0) <= 1.2816 * fit.level_sd
        assert held >= 0.69 * 120


def test_swings_of_temperature_are_taken_out() -> None:
    # sealed concrete, 0.35 %RH/K (Bažant and Najjar 1972: 0.2 to 0.5), ±4 K by the day
    t = np.arange(0.5, 72)
    swing = 4.0 * np.sin(2 * np.pi * t / 24.0)
    clean, swung = (85.0 - 30.0 * np.exp(-t / 14.0) + k * 0.35 * swing for k in (0.0, 1.0))
    steady = fit_equilibrium(t, clean, np.full(72, STEADY_C), USUAL_TAU_H)
    swinging = fit_equilibrium(t, swung, STEADY_C + swing, USUAL_TAU_H)
    now = 0.35 * swing[-1]  # the level is told for the present temperature
    assert swinging.level - now == pytest.approx(steady.level, abs=0.15)


PRIOR = FirstOrderPrior(offset_sd=2.0, step_sd=10.0, share=(0.2, 0.3), tau_median_d=6.0, tau_log_sd=0.9, noise_sd=0.5)


def followed(tau_d: float, end: Array, start: float, offset: float = 0.0) -> Array:
    """dx/dt = (e + a - x)/τ solved exactly from half day to half day, e held within each."""
    out = [start]
    for value in end[1:]:
        out.append(value + offset + (out[-1] - value - offset) * np.exp(-0.5 / tau_d))
    return np.array(out)


def mean(fit: FirstOrderFit, values: Array) -> float:
    return float(fit.weight @ values)


@pytest.mark.parametrize("tau_d", [3.0, 8.0])
def test_a_first_order_response_is_recovered(tau_d: float) -> None:
    end = 60.0 + 8.0 * np.sin(np.arange(40) / 5.0)
    value = followed(tau_d, end, 85.0, offset=1.5)
    fit = fit_first_order(value, end, None, PRIOR)
    assert fit is not None
    assert fit.weight.sum() == pytest.approx(1.0)
    assert quantile(fit.tau_d, fit.weight, 0.5) == pytest.approx(tau_d, rel=0.15)
    # time constants are tried 30 % apart, so the course is off by about the noise that the prior allows for
    assert mean(fit, fit.now) == pytest.approx(value[-1], abs=2.0 * PRIOR.noise_sd)
    assert mean(fit, fit.offset) == pytest.approx(1.5, abs=0.8)
    assert fit.scatter < PRIOR.noise_sd


def test_the_share_of_the_outdoor_air_is_recovered() -> None:
    rng = np.random.default_rng(2)
    inside, outside = 55.0 + 6.0 * np.sin(np.arange(40) / 4.0), 80.0 + 10.0 * rng.standard_normal(40)
    value = followed(2.0, inside + 0.5 * (outside - inside), 80.0)
    fit = fit_first_order(value, inside, outside, PRIOR)
    assert fit is not None
    assert mean(fit, fit.share) == pytest.approx(0.5, abs=0.1)


def test_missing_half_days_are_passed_over() -> None:
    end = np.full(30, 60.0)
    value = followed(5.0, end, 85.0)
    value[[0, 1, 7, 8, 20]] = np.nan
    fit = fit_first_order(value, end, None, PRIOR)
    assert fit is not None
    assert quantile(fit.tau_d, fit.weight, 0.5) == pytest.approx(5.0, rel=0.15)
    assert fit_first_order(np.where(np.arange(30) < 3, value, np.nan), end, None, PRIOR) is None


def test_the_time_to_a_target_is_that_of_the_exponential() -> None:
    # x = e + (x0 - e)·exp(-t/τ): from 85 to 70 while heading for 60 takes τ·ln(25/10)
    fit = FirstOrderFit(np.array([4.0, 8.0]), np.zeros(2), np.zeros(2), np.full(2, 85.0), np.full(2, 0.5), 0.0)
    final = np.full(2, 60.0)
    assert times_to(fit, final, np.full(2, 70.0)) == pytest.approx([4.0 * np.log(2.5), 8.0 * np.log(2.5)])
    assert times_to(fit, final, np.full(2, 60.0)).tolist() == [np.inf, np.inf]
    assert times_to(fit, final, np.full(2, 55.0)).tolist() == [np.inf, np.inf]
    assert times_to(fit, final, np.full(2, 90.0)).tolist() == [0.0, 0.0]


def test_weighted_quantiles_with_equal_weights_are_order_statistics() -> None:
    draws = np.array([5.0, 1.0, np.inf, 3.0, 2.0])
    found = [quantile(draws, np.full(5, 0.2), share) for share in (0.1, 0.5, 0.7, 0.95)]
    assert found == [1.0, 3.0, 5.0, np.inf]
