"""Fit of an approach to equilibrium: where a series is heading, with its uncertainty, long before it is there.

Model for hours t after the start::

    y(t) = a + b·f(t) + c·(T(t) − T̄) + d·t,      f(t) = exp(−(t/τ)^β)

`a` is the value it is heading for at the mean temperature, `c` its temperature coefficient, `d` the slow drying that
goes on underneath. For each (τ, β) of a grid the model is linear, so its posterior under normal priors is exact
(Bayesian linear regression, e.g. Gelman et al., Bayesian Data Analysis, ch. 14, from memory); the grid is averaged by
evidence. β below 1 allows for an approach with more than one time constant (Kohlrausch's stretched exponential).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitord.analysis.slabs.parameters import SLABS
from monitord.model.series import Array


@dataclass(frozen=True)
class EquilibriumFit:
    """Where the series is heading, as of its last hour."""

    level: float
    """Value it is heading for, at the present temperature, without the slow drying that is still to come."""
    level_sd: float
    gap: float
    """Present value minus that level, as fitted."""
    gap_sd: float
    drift_per_day: float
    drift_sd: float
    noise: float
    """Root mean square residual of the best fit."""


@lru_cache(maxsize=4)
def _grid(tau_median_h: float) -> tuple[Array, Array, Array]:
    low, high = SLABS.approach_range_h
    tau = np.exp(np.linspace(np.log(low), np.log(high), SLABS.approach_cells))
    beta = np.array([SLABS.slow_tail, 1.0])
    taus, betas = (axis.ravel() for axis in np.meshgrid(tau, beta, indexing="ij"))
    log_prior = -0.5 * ((np.log(taus) - np.log(tau_median_h)) / SLABS.approach_log_sd) ** 2
    return taus, betas, log_prior + np.where(betas == 1.0, np.log(1.0 - SLABS.tail_share), np.log(SLABS.tail_share))


def fit_equilibrium(hours: Array, value: Array, temperature_c: Array, tau_median_h: float) -> EquilibriumFit:
    """Fit the approach to hourly values; arrays (n,), n >= 2, no NaN, hours ascending from the start.

    `tau_median_h` is the time constant that is usual before the readings tell. Units of `level`, `gap` and `noise` are
    those of `value`; drift is per day.
    """
    taus, betas, log_weight = _grid(tau_median_h)
    t_mean = float(temperature_c.mean())
    dt = temperature_c - t_mean
    sd = SLABS.median_noise_pct * np.sqrt(min(SLABS.correlation_h, max(1.0, len(hours) / 2.0)))
    f = np.exp(-((hours[None, :] / taus[:, None]) ** betas[:, None]))  # (g, n)
    design = np.stack(np.broadcast_arrays(1.0, f, dt, hours - hours[-1]), axis=2)
    level, slope = SLABS.level_prior_pct, SLABS.slope_prior_pct_k
    prior_sd = np.array([level[1], SLABS.step_sd_pct, slope[1], SLABS.drift_sd_pct_d / 24.0])
    mean = np.array([level[0], 0.0, slope[0], 0.0])
    residual = value - design @ mean  # (g, n)
    scaled = design / sd
    precision = np.einsum("gni,gnj->gij", scaled, scaled) + np.diag(prior_sd**-2)
    right = np.einsum("gni,gn->gi", scaled, residual / sd)
    covariance = np.linalg.inv(precision)
    shift = np.einsum("gij,gj->gi", covariance, right)
    theta = mean + shift
    _, log_det = np.linalg.slogdet(precision)
    chi = np.einsum("gn,gn->g", residual, residual) / sd**2 - np.einsum("gi,gi->g", shift, right)
    log_evidence = log_weight - 0.5 * (chi + log_det)
    weight = np.exp(log_evidence - log_evidence.max())
    weight /= weight.sum()
    return _summary(weight, theta, covariance, f[:, -1], float(dt[-1]), value, design)


def _summary(
    weight: Array, theta: Array, covariance: Array, f_end: Array, dt_end: float, value: Array, design: Array
) -> EquilibriumFit:
    level_row = np.array([1.0, 0.0, dt_end, 0.0])
    level = theta @ level_row
    level_var = np.einsum("i,gij,j->g", level_row, covariance, level_row)
    gap = theta[:, 1] * f_end
    gap_var = covariance[:, 1, 1] * f_end**2
    drift, drift_var = 24.0 * theta[:, -1], 24.0**2 * covariance[:, -1, -1]
    best = int(np.argmax(weight))

    def pooled(values: Array, variances: Array) -> tuple[float, float]:
        centre = float(weight @ values)
        return centre, float(np.sqrt(weight @ (variances + (values - centre) ** 2)))

    return EquilibriumFit(
        *pooled(level, level_var),
        *pooled(gap, gap_var),
        *pooled(drift, drift_var),
        float(np.sqrt(np.mean((value - design[best] @ theta[best]) ** 2))),
    )
