"""The ensemble of a slab against closed forms: its march, its errors, its sampler, its prior.

March: Crank, The Mathematics of Diffusion (1975), §4.3, one face held, the other sealed, constant diffusivity, printed
to four digits; a fed far side's steady state by resistances in series. Errors: scipy's multivariate normal. Sampler:
the conjugate normal linear model (Bishop 2006, §3.3) and Bayes' rule for its one yes or no.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest, multivariate_normal

from monitord.analysis.slabs.posterior.forward_model import Air, capacity, first_profile, grid_of, march, step
from monitord.analysis.slabs.posterior.likelihood import error_model, explained
from monitord.analysis.slabs.posterior.members import Members
from monitord.analysis.slabs.posterior.sampler import (
    Evaluated,
    Population,
    assimilate,
    draw_prior,
    effective_size,
    systematic,
)
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure

DAY_S = 86_400.0
CRANK = {0.1: 0.6286, 0.2: 0.4616, 0.5: 0.2179, 1.0: 0.0635}
"""Share of the excess left at 40 % depth by Fourier number."""
SEALED = {0.1: 0.9493, 0.2: 0.7723, 0.5: 0.3708, 1.0: 0.1080}
"""The same at the sealed face."""


def members(n: int = 1, **changed: float) -> Members:
    """Members of constant diffusivity and capacity, unless changed."""
    plain = {
        "diffusivity_m2_s": 1e-9, "min_share": 1.0, "bend": 0.8, "steepness": 15.0, "capacity": 0.0,
        "core_humidity": 0.95, "face_deficit": 0.0, "profile_power": 1.0, "transfer_kg_m2_s_pa": 1.0, "face_lean": 0.0,
        "supply_kg_m2_s": 0.0, "supply_begins": -1.0, "activation_k": 2700.0, "room_bias_share": 0.0, "air_tau_h": 10.0,
        "unmeasured_air": 0.5, "water": 0.1, "water_spread": 0.5, "feed_comes": 0.0, "new_supply_kg_m2_s": 1e-6,
    }  # fmt: skip
    columns = {name: np.full(n, value) for name, value in (plain | changed).items() if name != "fed"}
    return Members(**columns, fed=np.full(n, "supply_kg_m2_s" in changed))


def air_at(humidity: float, t: float = 20.0) -> Air:
    return Air(humidity * float(saturation_vapour_pressure(t)), t, t, 0.0)


@pytest.mark.parametrize(("depth", "table"), [(0.4, CRANK), (1.0, SEALED)])
def test_with_constant_diffusivity_a_slab_dries_as_crank_says(depth: float, table: dict[float, float]) -> None:
    """100 mm at 1e-9 m²/s: a Fourier number of 1 is 115.7 days. The project's own cells and half-day steps."""
    grid, one, inside = grid_of(0.1, 0.1 * depth), members(), air_at(0.45)
    humidity = np.full((1, len(grid.size_m)), 0.95)
    days = 0
    for fourier, left in table.items():
        until = round(fourier * 0.1**2 / 1e-9 / DAY_S)
        humidity, _ = march(one, grid, humidity, [(inside, inside)] * (until - days))
        days = until
        # the last cell's middle lies 5 % over the sealed face, where the profile is flat
        assert float(grid.at_sleeve(humidity)[0] - 0.45) / 0.5 == pytest.approx(left, abs=0.012)


def test_a_fed_far_side_comes_to_the_steady_state_of_resistances_in_series() -> None:
    """Flux (1 - h_air) / (1/B + L/D + 1/G): the profile is a straight line, 2 % RH a hundredth of it."""
    supply, transfer, k0 = 4e-6, 2e-8, 80.0
    one, grid = members(supply_kg_m2_s=supply, transfer_kg_m2_s_pa=transfer), grid_of(0.1, 0.04)
    outer = transfer * float(saturation_vapour_pressure(20.0)) / k0
    flux = (1.0 - 0.5) / (1.0 / outer + 0.1 / 1e-9 + k0 / supply)
    humidity = np.full((1, 16), 0.9)
    for _ in range(12):
        humidity = step(one, grid, humidity, air_at(0.5), 100.0 * DAY_S)
    line = 0.5 + flux / outer + flux * grid.depth_m / 1e-9
    assert humidity[0] == pytest.approx(line, abs=2e-4)


def test_water_is_kept_where_capacity_and_diffusivity_bend() -> None:
    """What the slab loses is what its face gave off: Celia, Bouloutas and Zarba 1990."""
    one = members(
        capacity=6.0, min_share=0.05, transfer_kg_m2_s_pa=2e-8, core_humidity=0.97, face_deficit=0.3, profile_power=4.0
    )
    grid, inside = grid_of(0.08, 0.03), air_at(0.4)
    humidity = first_profile(one, grid)
    outer = 2e-8 * float(saturation_vapour_pressure(20.0)) / 80.0
    lost, first = 0.0, float((capacity(one, humidity)[1] * grid.size_m).sum())
    for _ in range(60):
        humidity = step(one, grid, humidity, inside, 0.5 * DAY_S)
        lack = 1.0 - humidity[0, 0]
        d = 1e-9 * (0.05 + 0.95 / (1.0 + (lack / 0.2) ** 15))
        lost += 0.5 * DAY_S * (humidity[0, 0] - 0.4) / (1.0 / outer + 0.5 * grid.size_m[0] / d)
    left = float((capacity(one, humidity)[1] * grid.size_m).sum())
    assert first - left > 0.01 * first
    assert lost == pytest.approx(first - left, rel=0.01)


def test_diffusion_is_faster_in_the_warmth_by_arrhenius() -> None:
    """exp(2700 (1/293.15 - 1/303.15)) is 1.355: so much sooner is the same profile reached."""
    grid, one, start = grid_of(0.1, 0.04), members(), np.full((1, 16), 0.95)
    warm, _ = march(one, grid, start, [(air_at(0.45, 30.0), air_at(0.45, 30.0))] * 20)
    cool, _ = march(one, grid, start, [(air_at(0.45), air_at(0.45))] * 27)
    # the air's equilibrium is 3.5 % RH lower at 30 °C by the slope of sealed concrete
    share_warm, share_cool = (warm - 0.415) / 0.535, (cool - 0.45) / 0.5
    assert share_warm == pytest.approx(share_cool, abs=0.006)


def days(reading: Array, t: Array, u: float = 1.0) -> SleeveDays:
    n = len(reading)
    both = np.column_stack([t, t])
    end_s = 1.7e9 + DAY_S * np.arange(1, n + 1)
    return SleeveDays(end_s, reading, both, both, np.full((n, 2), 1000.0), 240.0 + 24.0 * np.arange(n), 90.0, u, 1.0)


def covariance(t: Array, misfit: float, u: float) -> Array:
    """The errors' covariance as METHOD.md states it, written out for the test (the sleeve's lag has died away)."""
    k = np.arange(len(t))
    change = 0.4 * np.abs(np.diff(t, prepend=t[:1]))
    warm = t - 20.0
    return np.asarray(
        np.diag(0.08**2 + change**2)
        + misfit**2 * np.exp(-np.abs(k[:, None] - k[None, :]) / 30.0)
        + u**2
        + 0.15**2 * np.outer(warm, warm)
    )


def test_the_likelihood_of_residuals_is_that_of_their_multivariate_normal() -> None:
    rng = np.random.default_rng(3)
    t = 19.0 + rng.normal(0.0, 1.5, 30)
    record, residual = days(np.full(30, 90.0), t), rng.normal(0.0, 0.7, (4, 30)) + rng.normal(0.0, 1.0, (4, 1))
    found = error_model(record, 30).log_likelihood(residual) - 15.0 * np.log(2.0 * np.pi)
    for level, misfit in zip(found, (0.12, 0.25, 0.5), strict=True):
        expected = multivariate_normal(np.zeros(30), covariance(t, misfit, 1.0)).logpdf(residual)
        assert level == pytest.approx(expected, rel=1e-6)


def test_misfit_and_slope_are_what_gaussian_conditioning_makes_of_the_residuals() -> None:
    rng = np.random.default_rng(4)
    t = 18.0 + rng.normal(0.0, 2.0, 25)
    record, residual = days(np.full(25, 90.0), t), rng.normal(0.0, 0.6, (3, 25))
    found = explained(error_model(record, 25), residual, 24)
    for k, misfit in enumerate((0.12, 0.25, 0.5)):
        shared = np.vstack([misfit**2 * np.exp(-(24 - np.arange(25)) / 30.0), 0.15**2 * (t - 20.0)])
        gain = np.linalg.solve(covariance(t, misfit, 1.0), shared.T).T
        assert np.vstack([found.misfit_pct[k], found.slope_pct_k[k]]) == pytest.approx(gain @ residual.T, abs=1e-8)
        assert found.covariance[k] == pytest.approx(np.diag([misfit**2, 0.15**2]) - gain @ shared.T, abs=1e-10)


def followed(x: Array, y: Array, sd: float, steps: list[int], seed: int, n: int = 1024) -> tuple[Population, int]:
    """A population after taking in a linear model's data in so many portions; a yes shifts the mean by 0.15."""
    rng = np.random.default_rng(seed)
    scores, yes = draw_prior(n, 2, 0.25, rng)

    def log_likelihood(theta: Array, shifted: Flags, count: int) -> Array:
        told = theta[:, :1] + theta[:, 1:] * x[:count] + 0.15 * shifted[:, None]
        return np.asarray(-0.5 * ((y[:count] - told) ** 2).sum(axis=1) / sd**2)

    base, moved = 0, 0
    population = Population(scores, yes, np.zeros(n), Evaluated(np.zeros(n), np.zeros(n), ()))
    for count in steps:

        def evaluate(theta: Array, shifted: Flags, base: int = base, count: int = count) -> Evaluated:
            return Evaluated(log_likelihood(theta, shifted, base), log_likelihood(theta, shifted, count), ())

        told = evaluate(population.scores, population.fed)
        held = Population(
            population.scores, population.fed, told.now - population.told.before,
            Evaluated(population.told.before, told.now, ()), population.scale,
        )  # fmt: skip
        population = assimilate(held, evaluate, 0.25, rng)
        if population is not held:
            base, moved = count, moved + 1
            now = population.told.now
            population = Population(
                population.scores, population.fed, population.log_weight, Evaluated(now, now, ()), population.scale
            )
    return population, moved


@pytest.mark.parametrize("steps", [[40], list(range(2, 41, 2))])
def test_the_sampler_comes_to_the_conjugate_posterior(steps: list[int]) -> None:
    """Forty points of error 0.2 in one portion (tempered) and in twenty."""
    rng = np.random.default_rng(5)
    x, sd = np.linspace(0.0, 3.0, 40), 0.2
    y = 1.2 - 0.8 * x + sd * rng.standard_normal(40)
    runs = [followed(x, y, sd, steps, seed) for seed in range(11, 17)]
    population = runs[0][0]
    assert min(moved for _, moved in runs) >= 1
    design = np.column_stack([np.ones(40), x])
    precision = np.eye(2) + design.T @ design / sd**2
    cov = np.linalg.inv(precision)
    evidence, means = [], []
    for shift in (0.0, 0.15):
        means.append(cov @ design.T @ (y - shift) / sd**2)
        total = sd**2 * np.eye(40) + design @ design.T
        evidence.append(multivariate_normal(np.full(40, shift), total).logpdf(y))
    odds = 0.25 / 0.75 * np.exp(evidence[1] - evidence[0])
    p_yes = odds / (1.0 + odds)
    # a yes is hard to flip, so one run's share has a standard deviation of 0.04
    shares = [float(one.weights @ one.fed) for one, _ in runs]
    assert np.mean(shares) == pytest.approx(p_yes, abs=0.05)
    w = population.weights
    mean = w @ population.scores
    expected = (1.0 - p_yes) * means[0] + p_yes * means[1]
    spread = cov + p_yes * (1.0 - p_yes) * np.outer(means[1] - means[0], means[1] - means[0])
    sds = np.sqrt(np.diag(spread))
    assert mean == pytest.approx(expected, abs=0.15 * float(sds.max()))
    found = np.sqrt(w @ (population.scores - mean) ** 2)
    assert found == pytest.approx(sds, rel=0.15)


def test_the_prior_is_drawn_evenly_by_a_sobol_sequence() -> None:
    scores, yes = draw_prior(512, 15, 0.25, np.random.default_rng(1))
    assert yes.mean() == pytest.approx(0.25, abs=0.004)
    for column in scores.T:
        # 512 random draws would differ by 0.036 in the median
        assert kstest(column, "norm").statistic < 0.01


def test_resampling_keeps_each_members_share_to_one() -> None:
    w = np.array([0.5, 0.3, 0.15, 0.05])
    counts = np.bincount(systematic(w, 1000, np.random.default_rng(2)), minlength=4)
    assert np.abs(counts - 1000 * w).max() <= 1.0
    assert effective_size(np.log(np.full(7, 0.2))) == pytest.approx(7.0)
    assert effective_size(np.log(w)) == pytest.approx(1.0 / (0.25 + 0.09 + 0.0225 + 0.0025))
