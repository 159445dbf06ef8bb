"""How an element follows the air around it, and when that takes it to its goal.

First-order response: dx/dt = (e(t) + a − x)/τ, where e(t) is what the air of the hour would bring the element to and
`a` what it stays off that (a second air, a source). For each τ of a grid the past is linear in `a` and the first
deviation, so the posterior under normal priors is exact; the grid is averaged by evidence, as in `approach`. The time
to a target is drawn from the posterior on fixed quantiles, so the result is the same each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from monitord.model.series import Array

STEP_D = 0.5
"""Spacing of the means that are fitted. [days]"""


@dataclass(frozen=True)
class ResponsePrior:
    """Normal priors (mean, sd) of the offset and the first deviation, lognormal of τ; noise of a half-day mean."""

    offset: tuple[float, float]
    step_sd: float
    tau_median_d: float
    tau_log_sd: float
    noise_sd: float


@dataclass(frozen=True)
class Response:
    """Posterior draws, each (draws,), weights summing to 1."""

    tau_d: Array
    offset: Array
    now: Array
    """Where the element stands, freed of noise."""
    weight: Array


@lru_cache(maxsize=1)
def normal_pairs(n: int = 40) -> Array:
    """Fixed pairs of standard normal values that fill the plane evenly (an additive recurrence, the R2 sequence)."""
    k = np.arange(1, n + 1)
    pairs = np.column_stack([(0.5 + k * 0.7548776662466927) % 1.0, (0.5 + k * 0.5698402909980532) % 1.0])
    return np.asarray(ndtri(np.clip(pairs, 2e-3, 1 - 2e-3)), dtype=np.float64)


@lru_cache(maxsize=8)
def _tau_grid(median_d: float, log_sd: float) -> tuple[Array, Array]:
    tau = np.exp(np.linspace(np.log(0.4), np.log(90.0), 28))
    return tau, -0.5 * ((np.log(tau) - np.log(median_d)) / log_sd) ** 2


def _followed(end: Array, tau: Array) -> Array:
    """What a lag of each τ makes of the air's end, (taus, n)."""
    share = 1.0 - np.exp(-STEP_D / tau)
    out = np.empty((len(tau), len(end)))
    level = np.full(len(tau), end[0])
    for k, value in enumerate(end):
        level = level + share * (value - level)
        out[:, k] = level
    return out


def fit_response(value: Array, end: Array, prior: ResponsePrior) -> Response | None:
    """Fit to half-day means `value` (n,), NaN where unknown, and the air's `end` (n,) without NaN, oldest first.

    None with fewer than four known values.
    """
    known = np.flatnonzero(np.isfinite(value))
    if len(known) < 4:
        return None
    value, end, known = value[known[0] :], end[known[0] :], known - known[0]
    tau, log_weight = _tau_grid(prior.tau_median_d, prior.tau_log_sd)
    fade = np.exp(-STEP_D * np.arange(len(value))[None, :] / tau[:, None])
    followed = _followed(end, tau)
    design = np.stack([1.0 - fade, fade], axis=2)
    mean = np.array([prior.offset[0], value[0] - end[0]])
    residual = (value - followed - design @ mean)[:, known] / prior.noise_sd
    scaled = design[:, known] / prior.noise_sd
    precision = np.einsum("gni,gnj->gij", scaled, scaled) + np.diag([prior.offset[1] ** -2, prior.step_sd**-2])
    right = np.einsum("gni,gn->gi", scaled, residual)
    covariance = np.linalg.inv(precision)
    shift = np.einsum("gij,gj->gi", covariance, right)
    _, log_det = np.linalg.slogdet(precision)
    chi = np.einsum("gn,gn->g", residual, residual) - np.einsum("gi,gi->g", shift, right)
    log_weight = log_weight - 0.5 * (chi + log_det)
    weight = np.exp(log_weight - log_weight.max())
    keep = weight > 1e-4 * weight.max()
    draws = normal_pairs()
    theta = mean + shift[keep, None, :] + np.einsum("gij,dj->gdi", np.linalg.cholesky(covariance[keep]), draws)
    now = followed[keep, -1, None] + np.einsum("gi,gdi->gd", design[keep, -1], theta)
    taus = np.repeat(tau[keep, None], len(draws), axis=1)
    weights = np.repeat(weight[keep, None], len(draws), axis=1)
    return Response(taus.ravel(), theta[:, :, 0].ravel(), now.ravel(), weights.ravel() / weights.sum())


def times_to(fit: Response, end: Array | float, target: Array) -> Array:
    """Days until each draw is at its target in air that brings the element to `end`; infinite is never."""
    final = end + fit.offset
    with np.errstate(divide="ignore", invalid="ignore"):
        time = fit.tau_d * np.log((fit.now - final) / (target - final))
    return np.where(fit.now <= target, 0.0, np.where(target <= final, np.inf, time))


def quantile(draws: Array, weights: Array, share: float) -> float:
    """Weighted quantile; infinite where that share of the draws never ends."""
    order = np.argsort(draws, kind="stable")
    at = int(np.searchsorted(np.cumsum(weights[order]), share))
    return float(draws[order][min(at, len(draws) - 1)])
