"""Is a series rising or falling, by how much, and is that more than chance? Rank tests that neighbours do not fool.

Readings an hour or a day apart share their error, and a plain trend test takes that for a trend: at a lag-one
autocorrelation of 0.9 it cries wolf two times in three. So `daily_trend` judges daily means, with the variance of the
test widened for that autocorrelation, and needs an effect that matters as well as significance. One verdict rests on
it: which of two depths of a slab moves (`slabs/moisture_supply.py`). Rates and stalls have a test of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from monitord.analysis.series.parameters import SERIES
from monitord.model.series import Array


@dataclass(frozen=True)
class MannKendall:
    """The Mann–Kendall test: S counts pairs that rise minus pairs that fall."""

    n: int
    s: int
    variance: float
    """Of S without a trend, lessened for ties."""
    z: float
    """Standard normal score, with the continuity correction."""
    tau: float
    """S as a share of all pairs, -1..1 (Kendall's tau a)."""
    p: float
    """Two-sided; exact for up to 30 values without ties, else by the normal score."""


@dataclass(frozen=True)
class SenSlope:
    """Median slope of all pairs, with two-sided confidence limits, in units of the values per unit of time."""

    slope: float
    low: float
    high: float


@dataclass(frozen=True)
class DailyTrend:
    """A trend over days: `direction` +1 rising, -1 falling, 0 none shown, None too few days to tell."""

    direction: int | None
    days: int
    """Days with readings."""
    slope: float
    """Sen's slope. [unit per day]"""
    low: float
    """Lower limit of the slope, two-sided at the test's significance. [unit per day]"""
    high: float
    """Upper limit of the slope. [unit per day]"""
    p: float
    """Of the Mann–Kendall test with the widened variance, two-sided."""
    autocorrelation: float
    """Of neighbouring days, lag one, as the variance was widened for."""


def _known(values: Array, times: Array | None) -> tuple[Array, Array]:
    y = np.asarray(values, dtype=np.float64)
    t = np.arange(len(y), dtype=np.float64) if times is None else np.asarray(times, dtype=np.float64)
    known = np.isfinite(y)
    return y[known], t[known]


@lru_cache(maxsize=4)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    early, late = np.triu_indices(n, 1)
    return early, late


@lru_cache(maxsize=64)
def _chance_of_at_least(n: int) -> Array:
    """P(S >= s) of n values in random order, for s = n(n-1)/2, ..., -n(n-1)/2 in steps of 2."""
    inversions = np.ones(1)
    for k in range(2, n + 1):  # Mahonian numbers: a k-th value adds 0..k-1 inversions, all as likely
        inversions = np.convolve(inversions, np.full(k, 1.0 / k))
    return np.cumsum(inversions)


def _variance(y: Array) -> float:
    """Var S of values without a trend, lessened for ties.

    Source
    ------
    Kendall 1975, as in `mann_kendall`.
    """
    n = len(y)
    _, ties = np.unique(y, return_counts=True)
    total = n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))
    return total / 18.0


def mann_kendall(values: Array) -> MannKendall:
    """Test for a monotonic trend, values independent of each other.

    Parameters
    ----------
    values : (n,) in order of time, in any unit; NaN is missing and left out.

    Returns
    -------
    S, its variance with ties, Z, tau and the two-sided p; p is 1 with fewer than two values.

    Source
    ------
    Mann 1945; Kendall 1975: Var S = (n(n-1)(2n+5) - Σ t(t-1)(2t+5))/18 over groups of t ties, Z = (S ∓ 1)/√Var S.
    The exact p counts permutations by their inversions (no ties).
    """
    y, _ = _known(values, None)
    n = len(y)
    if n < 2:
        return MannKendall(n, 0, 0.0, 0.0, 0.0, 1.0)
    early, late = _pairs(n)
    s = int(np.sign(y[late] - y[early]).sum())
    variance, maximum = _variance(y), n * (n - 1) // 2
    z = (s - math.copysign(1.0, s)) / math.sqrt(variance) if s and variance > 0.0 else 0.0
    if n <= SERIES.exact_up_to and len(np.unique(y)) == n:
        p = min(1.0, 2.0 * float(_chance_of_at_least(n)[(maximum - abs(s)) // 2]))
    else:
        p = 2.0 * float(ndtr(-abs(z)))
    return MannKendall(n, s, variance, z, s / maximum, p)


def _slopes(y: Array, t: Array) -> Array:
    early, late = _pairs(len(y))
    return np.asarray((y[late] - y[early]) / (t[late] - t[early]))


def sen_slope(
    values: Array,
    times: Array | None = None,
    confidence: float = 1.0 - SERIES.trend_significance,
    variance_factor: float = 1.0,
) -> SenSlope:
    """Robust slope, values independent of each other unless their variance factor is given.

    Parameters
    ----------
    values : (n,) in any unit; NaN is missing and left out.
    times : (n,) ascending, in any unit of time; None: 0, 1, 2, ...
    confidence : Of the two-sided limits. [no unit] Range 0..1, ends excluded.
    variance_factor : Widening of Var S for autocorrelation, as of `variance_factor`. [no unit] 1 or more.

    Returns
    -------
    Slope and limits; infinite limits where there are too few pairs, slope 0 with fewer than two values.

    Source
    ------
    Sen 1968 (J. Am. Stat. Assoc. 63:1379): the median of all pairwise slopes, and limits at ranks (N ∓ C)/2 of the
    N slopes with C = z·√Var S, as Gilbert 1987 counts them (from memory).
    """
    y, t = _known(values, times)
    if len(y) < 2:
        return SenSlope(0.0, -math.inf, math.inf)
    slopes = np.sort(_slopes(y, t))
    spread = float(ndtri(0.5 + 0.5 * confidence)) * math.sqrt(_variance(y) * variance_factor)
    lower, upper = round((len(slopes) - spread) / 2.0) - 1, round((len(slopes) + spread) / 2.0)
    return SenSlope(
        float(np.median(slopes)),
        float(slopes[lower]) if lower >= 0 else -math.inf,
        float(slopes[upper]) if upper < len(slopes) else math.inf,
    )


def lag_one(values: Array) -> float:
    """Autocorrelation of neighbouring values, NaN being missing; 0 where there is nothing to tell it from. [-1..1]"""
    off = values - np.nanmean(values) if np.isfinite(values).any() else values
    products = off[1:] * off[:-1]
    both = np.isfinite(products)
    if not both.any():
        return 0.0
    spread = float(np.nanmean(off * off))
    return float(products[both].mean()) / spread if spread > 0.0 else 0.0


def variance_factor(n: int, autocorrelation: float) -> float:
    """By how much autocorrelated values widen the variance of Mann–Kendall's S.

    Parameters
    ----------
    n : Number of values.
    autocorrelation : Of neighbours, lag one; further apart it is taken to fade as its powers. [no unit] Range 0..1.

    Returns
    -------
    Factor on Var S, 1 or more. [no unit]

    Source
    ------
    Hamed and Rao 1998 (J. Hydrol. 204:182), their eq. for n/n*, from memory, with the autocorrelation of ranks
    6/π·arcsin(ρ/2) (Kendall 1975), and ρ of lag i that of an AR(1) process, ρ1^i, in place of the sampled ones.
    """
    lag = np.arange(1, max(n - 2, 1), dtype=np.float64)
    ranks = 6.0 / np.pi * np.arcsin(0.5 * autocorrelation**lag)
    weight = (n - lag) * (n - lag - 1.0) * (n - lag - 2.0)
    return 1.0 + 2.0 * float(weight @ ranks) / (n * (n - 1.0) * max(n - 2.0, 1.0))


def _remaining_autocorrelation(daily: Array) -> float:
    """Lag-one autocorrelation about a parabola, freed of its bias, one standard error on top; 0 or more.

    A parabola, for drying curves flatten: about a straight line their bend would pass for autocorrelation. Residuals
    of a fit of p terms have a bias of -(p + (p + 2) rho)/n. The standard error is ours: with few days the estimate
    strays as often below as above, and below is where false alarms come from.

    Source
    ------
    Kendall 1954 for the bias at p = 1 and 2 (from memory; simulation bears it out for 3). The most it can be,
    1 - 1.5/n, is what n days can tell from a random walk (our choice).
    """
    n = len(daily)
    terms, _ = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, n), SERIES.parabola_terms))
    r = lag_one(daily - terms @ (terms.T @ daily))
    r = min(max((n * r + SERIES.parabola_terms) / (n - SERIES.parabola_terms - 2.0), 0.0), 1.0)
    return min(r + math.sqrt((1.0 - r * r) / n), 1.0 - 1.5 / n)


def daily_trend(
    values: Array,
    min_effect: float,
    *,
    per_day: int = 24,
    alpha: float = SERIES.trend_significance,
    min_days: int = SERIES.trend_min_days,
) -> DailyTrend:
    """Trend of a series by its daily means, told only where it matters and is more than chance.

    Parameters
    ----------
    values : (n,) evenly spaced in time, NaN where missing, in any unit; clean them of temperature first.
    min_effect : Change over the whole span under which a trend does not matter. [unit of the values]
    per_day : Values a day: 24 for hourly ones, 1 for daily ones. A day needs half of its values.
    alpha : Significance, two-sided. [no unit]
    min_days : Days with readings before anything is told. [days] 8 or more.

    Returns
    -------
    The trend; `direction` is not 0 only where p < alpha and slope times span is `min_effect` or more.

    Source
    ------
    Mann–Kendall and Sen's slope with the variance of S widened as Hamed and Rao 1998 do, but by the lag-one
    autocorrelation alone and that about a parabola. Pre-whitening, the other cure, is not used: it turns a drying
    curve that flattens into one that rises. Measured false alarms: `tests/reference/test_analysis_trend.py`.
    """
    every = np.asarray(values, dtype=np.float64)
    daily = every if per_day == 1 else _day_means(every, per_day)
    known = np.flatnonzero(np.isfinite(daily))
    if len(known) < max(min_days, SERIES.trend_min_days):
        return DailyTrend(None, len(known), 0.0, -math.inf, math.inf, 1.0, 0.0)
    kept = daily[known]
    r = _remaining_autocorrelation(kept)
    widened = variance_factor(len(kept), r)
    sen, test = sen_slope(kept, known.astype(np.float64), 1.0 - alpha, widened), mann_kendall(kept)
    p = 2.0 * float(ndtr(-abs(test.z) / math.sqrt(widened)))
    matters = abs(sen.slope) * (known[-1] - known[0]) >= min_effect
    direction = int(np.sign(sen.slope)) if p < alpha and matters else 0
    return DailyTrend(direction, len(known), sen.slope, sen.low, sen.high, p, r)


def _day_means(values: Array, per_day: int) -> Array:
    """Means of the last whole days that end with the series; NaN where under half of a day is known."""
    days = len(values) // per_day
    blocks = values[len(values) - days * per_day :].reshape(days, per_day)
    known = np.isfinite(blocks)
    count = known.sum(axis=1)
    total = np.where(known, blocks, 0.0).sum(axis=1)
    return np.where(2 * count >= per_day, total / np.maximum(count, 1), np.nan)
