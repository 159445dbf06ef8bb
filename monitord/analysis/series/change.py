"""When did a series change? A single step found afterwards (Pettitt), and small shifts told as they come (CUSUM)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

from monitord.model.series import Array


@dataclass(frozen=True)
class ChangePoint:
    """The likeliest single change of level."""

    k: float
    """Pettitt's statistic: the largest |U|."""
    after: int
    """Index of the last value before the change."""
    p: float
    """Two-sided, approximate; values independent of each other."""
    before_median: float
    after_median: float


@dataclass(frozen=True)
class Cusum:
    """Sums of what exceeds the allowance, in standard deviations, and where they pass the limit.

    All arrays have the shape of the values; the last axis is time.
    """

    high: Array
    """Grows while the values lie above the centre."""
    low: Array
    """Grows while they lie below."""
    signal: NDArray[np.bool_]
    """Whether either sum is above the limit."""

    def first(self) -> NDArray[np.intp]:
        """Index of the first signal along the last axis; -1 where there is none."""
        return np.where(self.signal.any(axis=-1), np.argmax(self.signal, axis=-1), -1)


def pettitt(values: Array) -> ChangePoint | None:
    """Find the likeliest single change of level; None with fewer than two values.

    Parameters
    ----------
    values : (n,) in order of time, in any unit; NaN is missing and left out (indices are those of `values`).

    Returns
    -------
    The change; where the parts differ in length, its place leans towards the middle by a few values.

    Source
    ------
    Pettitt 1979 (Appl. Stat. 28:126): U_t = 2 Σ ranks - t(n+1), K = max |U_t|, p ≈ 2 exp(-6K²/(n³+n²)), from memory.
    """
    y = np.asarray(values, dtype=np.float64)
    locations = np.flatnonzero(np.isfinite(y))
    n = len(locations)
    if n < 2:
        return None
    known = y[locations]
    u = 2.0 * np.cumsum(rankdata(known))[:-1] - np.arange(1, n) * (n + 1)
    at = int(np.argmax(np.abs(u)))
    k = float(abs(u[at]))
    return ChangePoint(
        k=k,
        after=int(locations[at]),
        p=min(1.0, 2.0 * math.exp(-6.0 * k**2 / (n**3 + n**2))),
        before_median=float(np.median(known[: at + 1])),
        after_median=float(np.median(known[at + 1 :])),
    )


def cusum(values: Array, centre: float, sigma: float, allowance: float = 0.5, limit: float = 5.0) -> Cusum:
    """Two-sided cumulative sums, values independent of each other.

    Parameters
    ----------
    values : (..., n), the last axis in order of time; NaN is missing and leaves the sums as they were.
    centre : Level without a change. [unit of the values]
    sigma : Standard deviation about it, above 0. [unit of the values]
    allowance : Half the shift that is to be told, k. [standard deviations]
    limit : Sum that is a signal, h. [standard deviations]

    Returns
    -------
    Both sums and the signals; without a change there is one in about 465 values (k 0.5, h 5), at a shift of one
    standard deviation after about 10.

    Source
    ------
    Page 1954 (Biometrika 41:100), in the tabular form: S⁺ = max(0, S⁺ + z - k), S⁻ = max(0, S⁻ - z - k).
    """
    z = (np.asarray(values, dtype=np.float64) - centre) / sigma
    high, low = _summed(z - allowance), _summed(-z - allowance)
    return Cusum(high, low, (high > limit) | (low > limit))


def _summed(step: Array) -> Array:
    """max(0, S + step) from step to step: the running sum above its own lowest value so far, 0 at the start."""
    total = np.cumsum(np.where(np.isnan(step), 0.0, step), axis=-1)
    return np.asarray(total - np.minimum(np.minimum.accumulate(total, axis=-1), 0.0))
