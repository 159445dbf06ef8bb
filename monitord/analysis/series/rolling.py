"""Means over trailing hours of a gappy hourly series, and over any time of a series of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.series.parameters import SERIES
from monitord.model.series import Array


def median(values: Array) -> float:
    """Median; NaN where there is no value or one is NaN. The same as numpy's, without what that costs small arrays."""
    n = len(values)
    if not n:
        return float("nan")
    ordered = np.partition(values, ((n - 1) // 2, n // 2, n - 1))  # NaN last
    if np.isnan(ordered[-1]):
        return float("nan")
    return 0.5 * float(ordered[(n - 1) // 2] + ordered[n // 2])


def percentile(values: Array, per_cent: float) -> float:
    """Percentile of values without NaN, linear between them; as numpy's, without what that costs small arrays."""
    at = (len(values) - 1) * (per_cent / 100.0)
    below = min(int(at), len(values) - 2) if len(values) > 1 else 0
    ordered = np.partition(values, (below, min(below + 1, len(values) - 1)))
    low, high, share = float(ordered[below]), float(ordered[min(below + 1, len(values) - 1)]), at - below
    return high - (high - low) * (1.0 - share) if share >= 1 / 2 else low + (high - low) * share


def trailing_mean(value: Array, hours: int, min_share: float = SERIES.min_known_share) -> Array:
    """Mean over each hour and the `hours - 1` before it; NaN where fewer than `min_share` of them are known.

    (n,), or (n, series) for several at once.
    """
    known, least = np.isfinite(value), max(1.0, min_share * hours)
    if known.all():
        mean: Array = _gained(value.cumsum(axis=0), hours)
        mean[:hours] /= np.arange(1, min(len(mean), hours) + 1).reshape(-1, *(1,) * (value.ndim - 1))
        mean[hours:] /= hours
        mean[: math.ceil(least) - 1] = np.nan
        return mean
    total = _gained(np.where(known, value, 0.0).cumsum(axis=0), hours)
    number = _gained(known.cumsum(axis=0), hours)
    mean = total / np.maximum(number, 1)
    mean[number < least] = np.nan
    return mean


def _gained(running: NDArray[Any], hours: int) -> NDArray[Any]:
    """What a running sum gained over the last hours, same shape."""
    gained = running.copy()
    gained[hours:] -= running[:-hours]
    return gained


def lagged(value: Array, hours: int) -> Array:
    """The value `hours` earlier; NaN before the start."""
    out = np.full(len(value), np.nan)
    if hours < len(value):
        out[hours:] = value[: len(value) - hours]
    return out


def day_means(value: Array, days: int, min_share: float = SERIES.min_known_share) -> Array:
    """Means of the last whole 24-hour spans that end with the series, oldest first, (days,); NaN where unknown."""
    hours = np.full(24 * days, np.nan)
    lately = value[-24 * days :] if days else value[:0]
    hours[len(hours) - len(lately) :] = lately
    by_day = hours.reshape(days, 24)
    known = np.isfinite(by_day)
    count = known.sum(axis=1)
    mean = np.where(known, by_day, 0.0).sum(axis=1) / np.maximum(count, 1)
    return np.where(count >= 24 * min_share, mean, np.nan)


def line(value: Array) -> tuple[float, float, float]:
    """Least-squares slope per step, its standard error, and the residual spread; NaN values are left out.

    The standard error is widened for the correlation of neighbouring residuals, at lag one and up to
    `SERIES.max_residual_correlation`. Fewer than three values: the slope is 0 and its error infinite.
    """
    x = np.flatnonzero(np.isfinite(value)).astype(float)
    if len(x) < 3:
        return 0.0, float("inf"), float("inf")
    y = value[x.astype(int)]
    dx = x - x.mean()
    sxx = float(dx @ dx)
    slope = float(dx @ y) / sxx
    residual = y - y.mean() - slope * dx
    spread = float(np.sqrt(residual @ residual / (len(x) - 2)))
    rho = 0.0
    if len(x) - 2 > 2 and spread > 0:  # about a line, the lag-one correlation of four residuals is never positive
        lag_one = (residual[1:] @ residual[:-1]) / (residual @ residual)
        rho = float(np.clip(lag_one, 0.0, SERIES.max_residual_correlation))
    return slope, spread / np.sqrt(sxx) * np.sqrt((1 + rho) / (1 - rho)), spread


@dataclass(frozen=True)
class Summed:
    """A series of readings with its integral from the first on, linear between them, each (n,)."""

    time_s: Array
    values: Array
    total: Array

    @classmethod
    def of(cls, time_s: Array, values: Array) -> Summed:
        """Ascending times [s] and values there, each (n,); NaN values are left out."""
        known = np.isfinite(values)
        if not known.all():
            time_s, values = time_s[known], values[known]
        total = np.zeros(len(time_s))
        if len(total):
            np.cumsum(0.5 * (values[1:] + values[:-1]) * (time_s[1:] - time_s[:-1]), out=total[1:])
        return cls(time_s, values, total)

    def mean_before(self, at_s: Array, window_s: float) -> Array:
        """Mean over the time before each of the times given, as far back as the series is known, (len(at_s),).

        `window_s` 0: the value at the time itself. [s]
        """
        if not len(self.time_s):
            return np.full_like(at_s, np.nan)
        if window_s <= 0 or len(self.time_s) < 2:
            return np.interp(at_s, self.time_s, self.values)
        first, last = self.time_s[0], self.time_s[-1]
        end = np.minimum(np.maximum(at_s, first), last)
        begin = np.minimum(np.maximum(at_s - window_s, first), last)
        span = end - begin
        whole = np.interp(end, self.time_s, self.total) - np.interp(begin, self.time_s, self.total)
        if len(span) and span.min() > 0.0:
            return np.asarray(whole / span)
        return np.where(span > 0.0, whole / np.where(span > 0.0, span, 1.0), np.interp(at_s, self.time_s, self.values))
