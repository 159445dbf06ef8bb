"""Futures of a sleeve: its members marched on under the present air, as its true humidity would read.

Y(t) = 100 h + slope (T - 20) + misfit exp(-t/30 d). The probe's bias is in no future: it is what makes the level of
the members uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.times import DAY_S
from monitord.analysis.slabs.posterior.ensemble import Ensemble, Slab
from monitord.analysis.slabs.posterior.forward_model import Air, step
from monitord.analysis.slabs.posterior.likelihood import error_model, explained, residuals
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.present_air import PresentAir
from monitord.analysis.slabs.posterior.sampler import systematic
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array, Flags


@dataclass(frozen=True)
class Outlook:
    """Futures of equal weight, counted from the end of the last day."""

    time_d: Array
    """(times,), the first 0. [d]"""
    humidity_pct: Array
    """What a sleeve without bias would read at the present temperature, (draws, times). [% RH]"""
    window_pct: Array
    """Its mean over the goal's window, as the temperature was, (draws,). [% RH]"""
    bias_pct: Array
    """How much the probe reads over that, (draws,); NaN where it read nothing in the window. [% RH]"""
    fed: Flags
    """Whether the far side feeds the slab, (draws,)."""

    @property
    def now_pct(self) -> Array:
        """Humidity at the present, (draws,). [% RH]"""
        return self.humidity_pct[:, 0]

    @property
    def week_pct(self) -> Array:
        """Humidity in a week, (draws,). [% RH]"""
        return self.humidity_pct[:, POSTERIOR.week_d]

    @property
    def end_pct(self) -> Array:
        """Where it would end in this air, (draws,). [% RH]"""
        return self.humidity_pct[:, -1]


def outlook(slab: Slab, days: SleeveDays, ensemble: Ensemble, air: PresentAir, window_d: int) -> Outlook:
    """Futures of an ensemble as of its last day; `window_d` is the goal's window. [d]"""
    rng = slab.generator(float(days.end_s[ensemble.count - 1]) + 1.0)
    which = systematic(ensemble.population.weights, POSTERIOR.draws, rng)
    members = ensemble.members.pick(which)
    concrete = ensemble.concrete[which]
    misfit, slope = _draw_errors(days, ensemble, concrete, members.air_tau_h, rng)
    warm = air.u_temperature_k * rng.standard_normal(POSTERIOR.draws)
    ahead = Air(
        air.vapour_pressure_pa + air.u_vapour_pressure_pa * rng.standard_normal(POSTERIOR.draws),
        air.room_c + warm,
        air.sleeve_c + warm,
        days.u_air_pct / 100.0,
    )
    lengths = np.repeat(POSTERIOR.step_lengths_d, POSTERIOR.step_counts)
    time_d = np.concatenate([[0.0], np.cumsum(lengths)])
    course = np.empty((POSTERIOR.draws, len(time_d)))
    humidity = ensemble.humidity[which]
    course[:, 0] = slab.grid.at_sleeve(humidity)
    for k, length in enumerate(lengths):
        humidity = step(members, slab.grid, humidity, ahead, float(length) * DAY_S)
        course[:, k + 1] = slab.grid.at_sleeve(humidity)
    warmth = (slope * (air.sleeve_c - POSTERIOR.reference_c))[:, None]
    told = 100.0 * course + warmth + misfit[:, None] * np.exp(-time_d / POSTERIOR.misfit_d)
    window = slice(max(ensemble.count - window_d, 0), ensemble.count)
    as_it_was = slope[:, None] * (days.day_c[window] - POSTERIOR.reference_c)
    mean = (100.0 * concrete[:, window] + as_it_was).mean(axis=1) + misfit
    read = days.reading_pct[window]
    counted = np.isfinite(read)
    own = 100.0 * concrete[:, window][:, counted] + as_it_was[:, counted]
    bias = (read[counted] - own).mean(axis=1) - misfit if counted.any() else np.full(len(misfit), np.nan)
    return Outlook(time_d, told, mean, bias, members.fed)


def _draw_errors(
    days: SleeveDays, ensemble: Ensemble, concrete: Array, tau_h: Array, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Misfit now [% RH] and slope [% RH/K] of each draw, each at a level of misfit drawn by its evidence."""
    errors = error_model(days, ensemble.count, ensemble.skipped)
    residual = residuals(days, errors, concrete, tau_h)
    by_level = errors.log_likelihood(residual)
    share = np.exp(by_level - by_level.max(axis=0))
    share = np.cumsum(share / share.sum(axis=0), axis=0)
    n = concrete.shape[0]
    level = np.minimum((rng.random(n) > share).sum(axis=0), len(share) - 1)
    known = explained(errors, residual, ensemble.count - 1)
    roots = np.array([np.linalg.cholesky(c + 1e-9 * np.eye(2)) for c in known.covariance])
    noise = np.einsum("nij,nj->ni", roots[level], rng.standard_normal((n, 2)))
    at = np.arange(n)
    misfit, slope = known.misfit_pct[level, at] + noise[:, 0], known.slope_pct_k[level, at] + noise[:, 1]
    return misfit, POSTERIOR.slope_pct_k + slope
