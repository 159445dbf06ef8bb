"""How an element follows the air around it, and when that takes it to its goal.

First-order response: dx/dt = (e(t) + a − x)/τ, where e(t) is what the air of the hour would bring the element to,
mixed from the air beside it and the outdoor air, and `a` what it stays off that (a source). For each τ and each mixture
of a grid the past is linear in `a` and the first deviation, so the posterior under normal priors is exact; the grid is
averaged by evidence, as in `approach`. The time to a target is drawn from the posterior on fixed quantiles, so the
result is the same each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from monitord.analysis.forecast.even_shares import even_shares
from monitord.analysis.forecast.parameters import FORECAST
from monitord.model.series import Array


@dataclass(frozen=True)
class FirstOrderPrior:
    """Normal priors of offset, first deviation and outdoor share, lognormal of τ, and the noise of a half-day mean."""

    offset_sd: float
    step_sd: float
    share: tuple[float, float]
    tau_median_d: float
    tau_log_sd: float
    noise_sd: float


@dataclass(frozen=True)
class FirstOrderFit:
    """Posterior draws, each (draws,), weights summing to 1."""

    tau_d: Array
    share: Array
    """Of the outdoor air in what the element is heading for."""
    offset: Array
    now: Array
    """Where the element stands, freed of noise."""
    weight: Array
    scatter: float
    """Root mean square of the half-day means about the likeliest course."""


class Draw(IntEnum):
    """What each column of `normal_draws` stands for: quantities of one column vary together."""

    OFFSET, STEP, AIR_AHEAD, LIMIT, LAG, START = range(6)


@lru_cache(maxsize=4)
def normal_draws(n: int = 24) -> Array:
    """Fixed standard normal values that fill their space evenly, (n, columns), the columns nearly uncorrelated.

    A Latin hypercube (`even_shares`) through the normal quantile; 24 draws have a column for each `Draw`, 12 have two.
    """
    return np.asarray(ndtri(even_shares(n)), dtype=np.float64)


@lru_cache(maxsize=16)
def _grid(prior: FirstOrderPrior, mixed: bool) -> tuple[Array, Array, Array]:
    """Time constants, outdoor shares and log prior of each cell."""
    low, high = FORECAST.tau_range_d
    tau = np.exp(np.linspace(np.log(low), np.log(high), FORECAST.tau_cells))
    share = np.linspace(0.0, 1.0, FORECAST.share_cells) if mixed else np.zeros(1)
    taus, shares = (axis.ravel() for axis in np.meshgrid(tau, share, indexing="ij"))
    log_prior = -0.5 * ((np.log(taus) - np.log(prior.tau_median_d)) / prior.tau_log_sd) ** 2
    if mixed:
        log_prior = log_prior - 0.5 * ((shares - prior.share[0]) / prior.share[1]) ** 2
    return taus, shares, log_prior


def _followed(end: Array, tau: Array) -> Array:
    """What a lag of each τ makes of the air's end (n,), (taus, n)."""
    keep = np.exp(-FORECAST.span_h / 24.0 / tau)
    out = np.empty((len(tau), len(end)))
    level = np.full(len(tau), end[0])
    for k, value in enumerate(end):
        level = value + keep * (level - value)
        out[:, k] = level
    return out


def fit_first_order(value: Array, end: Array, other: Array | None, prior: FirstOrderPrior) -> FirstOrderFit | None:
    """Fit to half-day means `value` (n,), NaN where unknown; what the air would bring it to, `end` (n,), and what the
    outdoor air would, `other` (n,), both without NaN, oldest first.

    None with fewer than `min_spans` known values.
    """
    known = np.flatnonzero(np.isfinite(value))
    if len(known) < FORECAST.min_spans:
        return None
    first = known[0]
    value, end, known = value[first:], end[first:], known - first
    taus, shares, log_weight = _grid(prior, other is not None)
    tau = np.unique(taus)
    followed = np.repeat(_followed(end, tau), len(taus) // len(tau), axis=0)
    start = np.full(len(taus), end[0])
    if other is not None:
        pull = np.repeat(_followed(other[first:] - end, tau), len(taus) // len(tau), axis=0)
        followed = followed + shares[:, None] * pull
        start = start + shares * (other[first] - end[0])
    fade = np.exp(-FORECAST.span_h / 24.0 * np.arange(len(value))[None, :] / taus[:, None])
    design = np.stack([1.0 - fade, fade], axis=2)
    mean = np.stack([np.zeros(len(taus)), value[0] - start], axis=1)
    residual = (value - followed - np.einsum("gni,gi->gn", design, mean))[:, known] / prior.noise_sd
    scaled = design[:, known] / prior.noise_sd
    precision = np.einsum("gni,gnj->gij", scaled, scaled) + np.diag([prior.offset_sd**-2, prior.step_sd**-2])
    right = np.einsum("gni,gn->gi", scaled, residual)
    covariance = np.linalg.inv(precision)
    shift = np.einsum("gij,gj->gi", covariance, right)
    _, log_det = np.linalg.slogdet(precision)
    chi = np.einsum("gn,gn->g", residual, residual) - np.einsum("gi,gi->g", shift, right)
    log_weight = log_weight - 0.5 * (chi + log_det)
    weight = np.exp(log_weight - log_weight.max())
    keep = np.flatnonzero(weight > FORECAST.min_weight * weight.max())
    scatter = prior.noise_sd * float(np.sqrt(max(chi[int(np.argmax(weight))], 0.0) / len(known)))
    return _draws(
        taus[keep],
        shares[keep],
        mean[keep] + shift[keep],
        covariance[keep],
        followed[keep, -1],
        design[keep, -1],
        weight[keep],
        scatter,
    )


def _draws(
    taus: Array,
    shares: Array,
    centre: Array,
    covariance: Array,
    followed: Array,
    design: Array,
    weight: Array,
    scatter: float,
) -> FirstOrderFit:
    """Spread each cell of the grid into draws."""
    pairs = normal_draws()[:, [Draw.OFFSET, Draw.STEP]]
    theta = centre[:, None, :] + np.einsum("gij,dj->gdi", np.linalg.cholesky(covariance), pairs)
    now = followed[:, None] + np.einsum("gi,gdi->gd", design, theta)
    count = len(pairs)
    return FirstOrderFit(
        np.repeat(taus, count),
        np.repeat(shares, count),
        theta[:, :, 0].ravel(),
        now.ravel(),
        np.repeat(weight, count) / (count * weight.sum()),
        scatter,
    )


def times_to(fit: FirstOrderFit, final: Array, target: Array) -> Array:
    """Days until each draw is at its target while it heads for `final`; infinite is never."""
    with np.errstate(divide="ignore", invalid="ignore"):
        time = fit.tau_d * np.log((fit.now - final) / (target - final))
    return np.where(fit.now <= target, 0.0, np.where(target <= final, np.inf, time))


def quantile(draws: Array, weights: Array, share: float) -> float:
    """Weighted quantile; infinite where that share of the draws never ends."""
    order = np.argsort(draws, kind="stable")
    at = int(np.searchsorted(np.cumsum(weights[order]), share))
    return float(draws[order][min(at, len(draws) - 1)])
