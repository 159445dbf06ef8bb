"""How likely the day means are under each member: one covariance of their errors, at three levels of misfit.

    reading = 100 h + slope (T - 20) + bias + misfit + (y0 - 100 h) exp(-(t - sealed)/tau), as means of days

Slope, bias and misfit are Gaussian, so they are integrated out; the level of the misfit is averaged over, which weighs
it by the evidence of the location: one odd stretch widens instead of misleading.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array


@dataclass(frozen=True)
class ErrorModel:
    """The errors of the counted day means, (m,), and their covariance at each level of misfit."""

    days: NDArray[np.intp]
    """Which days are counted, as indices."""
    warmth_k: Array
    """Temperature above 20 °C. [K]"""
    whiteners: tuple[Array, ...]
    """Inverse of the lower Cholesky factor of the covariance at each level, (m, m)."""

    def log_likelihood(self, residual: Array) -> Array:
        """Log likelihood of residuals (n, m) at each level, (levels, n), less constants."""
        return np.array([_log_density(whitener, residual) for whitener in self.whiteners])


def error_model(days: SleeveDays, count: int, skipped: tuple[int, ...] = ()) -> ErrorModel:
    """The errors of the first `count` days but those in `skipped`."""
    counted = np.isfinite(days.reading_pct[:count])
    counted[[day for day in skipped if day < count]] = False
    used = np.flatnonzero(counted)
    day_c = days.day_c
    warmth = day_c[used] - POSTERIOR.reference_c
    change = POSTERIOR.change_pct_k * np.abs(np.diff(day_c, prepend=day_c[:1]))[used]
    settled = days.reading_pct[used[min(POSTERIOR.settled_day, len(used) - 1)]] if len(used) else days.first_reading_pct
    since_d = days.since_sealed_h[used] / 24.0
    moved = abs(days.first_reading_pct - settled) * POSTERIOR.second_lag_share * POSTERIOR.second_lag_d
    lag = moved * np.exp(-since_d / POSTERIOR.second_lag_d)
    apart = np.abs(used[:, None] - used[None, :]) / POSTERIOR.misfit_d
    common = np.diag(POSTERIOR.noise_pct**2 + lag**2 + change**2) + days.u_reading_pct**2
    common = common + POSTERIOR.slope_sd_pct_k**2 * warmth[:, None] * warmth[None, :]
    whiteners = tuple(
        np.linalg.inv(np.linalg.cholesky(common + misfit**2 * np.exp(-apart))) for misfit in POSTERIOR.misfit_pct
    )
    return ErrorModel(used, warmth, whiteners)


def residuals(days: SleeveDays, errors: ErrorModel, concrete: Array, tau_h: Array) -> Array:
    """Readings less what members tell, (n, m), from their day means of pore humidity at the sleeve (n, days). [% RH]"""
    h = 100.0 * concrete[:, errors.days]
    left = sleeve_left(days.since_sealed_h[errors.days][None, :], tau_h[:, None])
    told = h + POSTERIOR.slope_pct_k * errors.warmth_k + (days.first_reading_pct - h) * left
    return np.asarray(days.reading_pct[errors.days] - told)


def sleeve_left(since_h: Array, tau_h: Array) -> Array:
    """Mean over a day, begun so long after sealing, of what is left of the sleeve's approach. [-]"""
    return np.asarray(np.exp(-since_h / tau_h) * (1.0 - np.exp(-24.0 / tau_h)) * tau_h / 24.0)


def over_levels(by_level: Array) -> Array:
    """Log likelihood averaged over the levels, (levels, n) to (n,)."""
    top = by_level.max(axis=0)
    return np.asarray(top + np.log(np.exp(by_level - top).mean(axis=0)))


def _whitened(whitener: Array, residual: Array) -> Array:
    """Residuals (n, m) as independent standard normal errors, (n, m).

    In blocks small enough for one thread: many threads on so little work cost a busy machine fifty times as much.
    """
    m = len(whitener)
    block = max(1, POSTERIOR.product_size // max(1, m * m))
    parts = [residual[k : k + block] @ whitener.T for k in range(0, len(residual), block)]
    return np.concatenate(parts)


def _log_density(whitener: Array, residual: Array) -> Array:
    white = _whitened(whitener, residual)
    return np.asarray(np.log(np.diag(whitener)).sum() - 0.5 * np.einsum("ij,ij->i", white, white))


@dataclass(frozen=True)
class Explained:
    """What the residuals of each member are made of now: mean (levels, n) and covariance (levels, 2, 2)."""

    misfit_pct: Array
    slope_pct_k: Array
    """Departure from the mean slope."""
    covariance: Array


def explained(errors: ErrorModel, residual: Array, now: int) -> Explained:
    """Misfit at day `now` and slope, given the residuals (n, m): Gaussian conditioning at each level."""
    n, levels = len(residual), len(POSTERIOR.misfit_pct)
    means, covariances = np.zeros((levels, 2, n)), np.empty((levels, 2, 2))
    for k, (misfit, whitener) in enumerate(zip(POSTERIOR.misfit_pct, errors.whiteners, strict=True)):
        covariances[k] = np.diag([misfit**2, POSTERIOR.slope_sd_pct_k**2])
        shared = np.column_stack(
            [
                misfit**2 * np.exp(-(now - errors.days) / POSTERIOR.misfit_d),
                POSTERIOR.slope_sd_pct_k**2 * errors.warmth_k,
            ]
        )
        white = whitener @ shared
        means[k] = (_whitened(whitener, residual) @ white).T
        covariances[k] -= white.T @ white
    return Explained(means[:, 0], means[:, 1], covariances)
