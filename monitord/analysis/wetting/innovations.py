"""Innovation test: what a regression with a physical prior predicts, against what came, with an honest standard error.

At each hour a ridge regression with prior means (Hoerl and Kennard 1970; as the posterior of a linear Gaussian model,
Bishop 2006, eq. 3.49 to 3.51, from memory) is fitted to the hours that ended a day ago. Its innovation (the
out-of-sample residual) is kept as it came, so the record of innovations is the location's own record of false alarms.
The standard error of a window's mean innovation holds both the scatter of that record and the leverage of the present
regressors: in a regime that was never seen (machine off, first cold week) the prediction itself is uncertain, and
without that term no threshold buys a rate of false alarms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.series.rolling import trailing_mean
from monitord.analysis.wetting.parameters import WETTING
from monitord.analysis.wood.timber import lagged_known
from monitord.model.series import Array, Flags


@dataclass(frozen=True)
class Regression:
    """What differs between the tests: see the parameters of the room."""

    gap_h: int
    record_h: int
    prior_correlation_h: float
    leverage_correlation_h: float
    sd_share: float
    min_scatter: float = 0.0


@dataclass(frozen=True)
class Prior:
    """Normal priors of the coefficients, each (p,); the constant is not among them, it is free."""

    mean: Array
    sd: Array


@dataclass(frozen=True)
class Innovations:
    """Fits and innovations for each hour, NaN where there is none or none was asked for."""

    value: Array
    """Innovation. [unit of y] (n,)"""
    coefficient: Array
    """(n, 1 + p), the constant first."""
    inverse: Array
    """Inverse of XᵀX + Λ, (n, 1 + p, 1 + p)."""
    variance: Array
    """In-sample variance of the residuals. [unit of y squared] (n,)"""
    leverage_u: Array
    """Standard error of the prediction. [unit of y] (n,)"""
    design: Array
    """Regressors, centred, with the constant first, (n, 1 + p)."""
    centre_y: float

    def predicted_by(self, at: int) -> Array:
        """What the fit of hour `at` predicts for every hour, (n,)."""
        return np.asarray(self.design @ self.coefficient[at] + self.centre_y)

    def coefficient_of(
        self, columns: Sequence[int], correlation: float, hours: NDArray[np.intp]
    ) -> tuple[Array, Array]:
        """Sum of some regressors' coefficients and its standard error, each (len(hours),); columns count from 0."""
        at = np.asarray(columns) + 1
        total = self.coefficient[hours][:, at].sum(axis=1)
        block = self.inverse[hours][:, at[:, None], at[None, :]].sum(axis=(1, 2))
        return total, np.sqrt(np.maximum(correlation * self.variance[hours] * block, 0.0))


def exponential_mean(value: Array, tau_h: float) -> Array:
    """Exponential mean with a time constant, over known hours; held for some hours, then NaN. (n,)"""
    known = np.isfinite(value)
    if not known.any():
        return np.full(len(value), np.nan)
    first = int(np.argmax(known))
    out = lagged_known(value, float(-np.expm1(-1.0 / tau_h)), float(value[first]))
    at = np.maximum.accumulate(np.where(known, np.arange(len(value)), -WETTING.max_held_h - 1))
    return np.where(np.arange(len(value)) - at <= WETTING.max_held_h, out, np.nan)


class InnovationTest:
    """The test on one series, hour by hour as they are asked for: most are never asked, and each costs a regression."""

    def __init__(self, y: Array, regressors: Array, prior: Prior, noise: Array, regression: Regression) -> None:
        """Prepare the sums over the training hours.

        Parameters
        ----------
        y : (n,), NaN where unknown.
        regressors : (n, p) without the constant, NaN where unknown.
        noise : standard deviation of an hour's value about the fit, (n,), in the unit of y: sets the prior's weight.
        """
        n, p = regressors.shape
        known = np.isfinite(y) & np.isfinite(regressors).all(axis=1) & np.isfinite(noise)
        centre = np.median(regressors[known], axis=0) if known.any() else np.zeros(p)
        centre_y = float(np.median(y[known])) if known.any() else 0.0
        design = np.column_stack([np.ones(n), regressors - centre])
        x = np.where(known[:, None], design, 0.0)
        v = np.where(known, y - centre_y, 0.0)
        self._y, self._prior, self._regression = y - centre_y, prior, regression
        self._running = _running_sums(x, v, known, np.where(known, noise, 0.0) ** 2)
        self._lately = trailing_mean(design, WETTING.leverage_mean_h)
        self._fitted = np.zeros(n, dtype=np.bool_)
        self.found = _empty(n, p, design, centre_y)
        """What has been found so far; NaN at hours that were not asked for."""

    def fit(self, hours: NDArray[np.intp]) -> Innovations:
        """Fit each of these hours to the training hours before it, and predict it."""
        hours = hours[~self._fitted[hours]]
        self._fitted[hours] = True
        out, prior, regression = self.found, self._prior, self._regression
        sums = _training_sums(self._running, out.design.shape[1], hours, regression)
        enough = sums[0] >= WETTING.min_train_h
        at = hours[enough]
        if not len(at):
            return out
        count, xx, xy, yy, noise2 = (part[enough] for part in sums)
        weight = np.zeros(xy.shape)
        weight[:, 1:] = regression.prior_correlation_h * (noise2 / count)[:, None] / prior.sd**2
        matrix = xx + weight[:, :, None] * np.eye(xy.shape[1])
        inverse = np.linalg.inv(matrix)
        mean = np.concatenate([[0.0], prior.mean])
        w = np.einsum("nij,nj->ni", inverse, xy + weight * mean)
        rss = yy - 2.0 * np.einsum("ni,ni->n", w, xy) + np.einsum("ni,nij,nj->n", w, xx, w)
        variance = np.maximum(rss, 0.0) / count
        lately = self._lately[at]
        reach = np.einsum("ni,nij,nj->n", lately, inverse, lately)
        out.coefficient[at], out.inverse[at], out.variance[at] = w, inverse, variance
        out.leverage_u[at] = np.sqrt(np.maximum(regression.leverage_correlation_h * variance * reach, 0.0))
        out.value[at] = self._y[at] - np.einsum("ni,ni->n", out.design[at], w)
        return out


def innovations(
    y: Array, regressors: Array, prior: Prior, noise: Array, first: int, regression: Regression
) -> Innovations:
    """Fit each hour from index `first` on; parameters as in `InnovationTest`."""
    return InnovationTest(y, regressors, prior, noise, regression).fit(np.arange(first, len(y)))


def _empty(n: int, p: int, design: Array, centre_y: float) -> Innovations:
    def unknown(*shape: int) -> Array:
        return np.full(shape, np.nan)

    return Innovations(
        unknown(n), unknown(n, p + 1), unknown(n, p + 1, p + 1), unknown(n), unknown(n), design, centre_y
    )


def _running_sums(x: Array, v: Array, known: Flags, noise2: Array) -> Array:
    """Running sums of count, yᵀy, noise², Xᵀy and XᵀX, from before the first hour to after the last."""
    n, q = x.shape
    single = np.column_stack([known.astype(np.float64), v * v, noise2])
    columns = np.concatenate([single, v[:, None] * x, (x[:, :, None] * x[:, None, :]).reshape(n, q * q)], axis=1)
    return np.concatenate([np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)])


def _training_sums(
    running: Array, q: int, hours: NDArray[np.intp], regression: Regression
) -> tuple[Array, Array, Array, Array, Array]:
    """Sums over the training hours of each of some hours: count, XᵀX, Xᵀy, yᵀy, noise²; of q regressors."""
    n = len(running) - 1
    end = np.clip(hours - regression.gap_h + 1, 0, n)
    begin = np.clip(end - WETTING.train_h, 0, n)
    one, xy, xx = np.split(
        running[end] - running[begin], [running.shape[1] - q - q * q, running.shape[1] - q * q], axis=1
    )
    return one[:, 0], xx.reshape(-1, q, q), xy, one[:, 1], one[:, 2]


def standard_score(mean: Array, leverage_u: Array, hours: NDArray[np.intp], regression: Regression) -> Array:
    """How many standard errors a window's mean innovation lies over what is usual here, at some hours, (len(hours),).

    Parameters
    ----------
    mean : mean innovation over the window, (n,). [% RH]
    leverage_u : standard error of the prediction, (n,). [% RH]
    """
    padded = np.concatenate([np.full(regression.record_h + regression.gap_h, np.nan), mean])
    windows = np.lib.stride_tricks.sliding_window_view(padded, regression.record_h)
    record = windows[hours + 1]  # ends `gap_h` before the hour
    known = np.isfinite(record)
    enough = known.sum(axis=1) >= WETTING.min_record_h
    out = np.full(len(hours), np.nan)
    if not enough.any():
        return out
    record = record[enough]
    middle = np.nanmedian(record, axis=1)
    spread = WETTING.mad_to_sd * np.nanmedian(np.abs(record - middle[:, None]), axis=1)
    spread = np.maximum(spread, regression.sd_share * np.nanstd(record, axis=1))
    scatter = np.maximum(spread, regression.min_scatter)
    at = hours[enough]
    with np.errstate(invalid="ignore", divide="ignore"):
        out[enough] = (mean[at] - np.maximum(middle, 0.0)) / np.hypot(scatter, leverage_u[at])
    return out
