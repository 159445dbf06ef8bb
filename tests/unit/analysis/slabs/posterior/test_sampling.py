"""When the population is resampled and moved, how often, and what disturbs a sleeve's first days."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from futures import days_of

from monitord.analysis.slabs.posterior.likelihood import error_model, over_levels, sleeve_left
from monitord.analysis.slabs.posterior.sampler import Evaluated, Population, assimilate
from monitord.model.series import Array, Flags

N = 1000


def flat(theta: Array, fed: Flags) -> Evaluated:
    return Evaluated(np.zeros(len(theta)), np.zeros(len(theta)), ())


def test_the_population_is_moved_once_its_effective_share_is_under_two_fifths() -> None:
    rng = np.random.default_rng(1)
    for share, moved in ((0.42, False), (0.38, True)):
        gain = np.where(np.arange(N) < share * N, 0.0, -1e9)
        told = Evaluated(np.zeros(N), gain, ())
        before = Population(rng.standard_normal((N, 2)), np.zeros(N, dtype=bool), gain, told)
        assert (assimilate(before, flat, 0.25, rng) is not before) is moved


def test_each_resampling_is_followed_by_four_steps_of_all_members() -> None:
    rng, count = np.random.default_rng(2), [0]
    gain = np.where(np.arange(N) < 300, 0.0, -1e9)

    def evaluate(theta: Array, fed: Flags) -> Evaluated:
        count[0] += 1
        return Evaluated(np.zeros(N), np.zeros(N), ())

    start = Population(rng.standard_normal((N, 2)), np.zeros(N, dtype=bool), gain, Evaluated(np.zeros(N), gain, ()))
    after = assimilate(start, evaluate, 0.25, rng)
    assert count[0] == 4
    assert after.log_weight == pytest.approx(0.0)
    # what was flat is now the prior again: a step tries the other far side three times in twenty
    tried = after.fed.mean()
    assert 0.1 < tried < 0.3


def test_scores_that_the_data_do_not_tell_of_are_left_alone() -> None:
    rng = np.random.default_rng(3)
    scores = rng.standard_normal((N, 3))
    gain = -0.5 * (scores[:, 0] - 2.0) ** 2 / 0.01

    def evaluate(theta: Array, fed: Flags) -> Evaluated:
        return Evaluated(np.zeros(N), -0.5 * (theta[:, 0] - 2.0) ** 2 / 0.01, ())

    start = Population(scores, np.zeros(N, dtype=bool), gain, Evaluated(np.zeros(N), gain, ()), moving=2)
    after = assimilate(start, evaluate, 0.0, rng)
    assert not after.fed.any()  # a certainty is not tried
    assert set(after.scores[:, 2]) <= set(scores[:, 2])
    assert not set(after.scores[:, 0]) <= set(scores[:, 0])
    # the conjugate posterior: 2/(1 + 0.01)
    assert after.scores[:, 0].mean() == pytest.approx(1.98, abs=0.02)


def test_levels_of_misfit_are_averaged_in_likelihood() -> None:
    assert over_levels(np.log(np.array([[1.0], [2.0], [3.0]]))) == pytest.approx(np.log([2.0]))


def test_what_is_left_of_a_sleeves_approach_is_a_mean_over_the_day() -> None:
    hours = np.linspace(12.0, 36.0, 200_001)
    expected = np.exp(-hours / 9.0).mean()
    assert sleeve_left(np.array([12.0]), np.array([9.0]))[0] == pytest.approx(expected, rel=1e-4)


def test_the_first_days_after_sealing_are_disturbed_by_a_second_approach() -> None:
    """12 % of how far the air came, over 0.8 d: e_lag = 0.12 * 40 * 0.8 exp(-days/0.8)."""
    reading = np.full(10, 90.0)
    sealed = replace(days_of(reading), since_sealed_h=24.0 * np.arange(10), first_reading_pct=50.0)
    whitener = error_model(sealed, 10).whiteners[0]
    covariance = np.linalg.inv(whitener.T @ whitener)
    lag = 0.12 * 40.0 * 0.8 * np.exp(-np.arange(10) / 0.8)
    assert np.diag(covariance) == pytest.approx(0.08**2 + 0.12**2 + 1.0 + lag**2, rel=1e-6)
    assert covariance[0, 8] == pytest.approx(1.0 + 0.12**2 * np.exp(-8.0 / 30.0), rel=1e-6)


def test_how_far_a_sleeves_air_came_is_told_by_its_third_counted_day() -> None:
    reading = np.array([np.nan, 60.0, 75.0, 85.0, 90.0, 90.0])
    sealed = replace(days_of(reading), since_sealed_h=24.0 * np.arange(6), first_reading_pct=50.0)
    whitener = error_model(sealed, 6).whiteners[0]
    covariance = np.linalg.inv(whitener.T @ whitener)
    lag = 0.12 * (85.0 - 50.0) * 0.8 * np.exp(-np.arange(1, 6) / 0.8)
    assert np.diag(covariance) == pytest.approx(0.08**2 + 0.12**2 + 1.0 + lag**2, rel=1e-6)


def test_warmth_and_its_change_from_the_day_before_widen_a_days_error() -> None:
    """0.15 % RH/K about the slope, the same for all days, and 0.4 % RH/K for what a sleeve lags its concrete."""
    temperature = np.array([20.0, 20.0, 23.0, 23.0])
    days = replace(days_of(np.full(4, 90.0), t=temperature), first_reading_pct=90.0)
    whitener = error_model(days, 4).whiteners[0]
    covariance = np.linalg.inv(whitener.T @ whitener)
    usual = 0.08**2 + 0.12**2 + 1.0
    warm = (0.15 * 3.0) ** 2
    assert np.diag(covariance) == pytest.approx([usual, usual, usual + warm + (0.4 * 3.0) ** 2, usual + warm], rel=1e-6)
    assert covariance[2, 3] == pytest.approx(1.0 + 0.12**2 * np.exp(-1.0 / 30.0) + warm, rel=1e-6)


def test_a_day_that_is_skipped_has_no_error() -> None:
    errors = error_model(days_of(np.full(10, 90.0)), 10, (3, 7, 12))
    assert errors.days.tolist() == [0, 1, 2, 4, 5, 6, 8, 9]
