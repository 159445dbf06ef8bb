"""When will a falling series be at its goal: exponential decay with an unknown end, and its doubt.

y(t) = a + b·exp(−t/τ), linear for each τ of a grid; posterior under normal priors, averaged over the grid by evidence
(as in `approach`). The time to a target is drawn from the posterior on fixed quantiles, so the result is the same
each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from monitord.model.series import Array


@dataclass(frozen=True)
class DecayPrior:
    """Normal prior of the end (mean, sd), of the step, and lognormal of the time constant; times in days."""

    end: tuple[float, float] = (0.0, 3.0)
    step_sd: float = 40.0
    tau_median_d: float = 8.0
    tau_log_sd: float = 0.9
    noise_sd: float = 1.0


@lru_cache(maxsize=1)
def _normal_draws(n: int = 48) -> Array:
    """Fixed pairs of standard normal values that fill the plane evenly (an additive recurrence, R2 sequence)."""
    k = np.arange(1, n + 1)
    pairs = np.column_stack([(0.5 + k * 0.7548776662466927) % 1.0, (0.5 + k * 0.5698402909980532) % 1.0])
    return np.asarray(ndtri(np.clip(pairs, 1e-3, 1 - 1e-3)), dtype=np.float64)


def times_to(
    day: Array, value: Array, target: float, target_sd: float, prior: DecayPrior
) -> tuple[Array, Array, float, float]:
    """Days from the last value until the series is at `target`, as weighted draws.

    `day` and `value` are (n,), NaN-free, days ascending. Returns the draws (infinite: never), their weights (sum 1),
    and the mean and sd of the end that the series is heading for.
    """
    tau = np.exp(np.linspace(np.log(0.7), np.log(90.0), 26))
    log_weight = -0.5 * ((np.log(tau) - np.log(prior.tau_median_d)) / prior.tau_log_sd) ** 2
    t = day - day[-1]
    f = np.exp(-np.maximum(t[None, :], -8.0 * tau[:, None]) / tau[:, None])
    scale = f[:, :1]
    f = f / scale  # keep the step's prior about the step at the first value
    sd = prior.noise_sd
    design = np.stack([np.ones_like(f), f], axis=2) / sd
    residual = (value - prior.end[0]) / sd
    precision = np.einsum("gni,gnj->gij", design, design) + np.diag([prior.end[1] ** -2, prior.step_sd**-2])
    right = np.einsum("gni,n->gi", design, residual)
    covariance = np.linalg.inv(precision)
    shift = np.einsum("gij,gj->gi", covariance, right)
    _, log_det = np.linalg.slogdet(precision)
    log_weight = log_weight - 0.5 * (residual @ residual - np.einsum("gi,gi->g", shift, right) + log_det)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    draws = _normal_draws()
    root = np.linalg.cholesky(covariance)
    theta = shift[:, None, :] + np.einsum("gij,dj->gdi", root, draws)  # (g, d, 2)
    end = prior.end[0] + theta[:, :, 0]
    now = theta[:, :, 1] / scale
    goal = target + target_sd * np.roll(draws[:, 0], 7)[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        time = tau[:, None] * np.log(now / (goal - end))
    time = np.where(end + now <= goal, 0.0, np.where((goal <= end) | (now <= 0), np.inf, time))
    weights = np.repeat(weight[:, None] / draws.shape[0], draws.shape[0], axis=1)
    mean = float(np.sum(weights * end))
    spread = float(np.sqrt(np.sum(weights * (end - mean) ** 2)))
    return time.ravel(), weights.ravel(), mean, spread


def quantile(draws: Array, weights: Array, share: float) -> float:
    """Weighted quantile; infinite where that share of the draws never ends."""
    order = np.argsort(draws, kind="stable")
    at = int(np.searchsorted(np.cumsum(weights[order]), share))
    return float(draws[order][min(at, len(draws) - 1)])
