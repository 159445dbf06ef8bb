"""Is a series rising or falling, by how much, and is that more than chance? Rank tests that neighbours do not fool.

Readings an hour or a day apart share their error, and a plain trend test takes that for a trend: at a lag-one
autocorrelation of 0.9 it cries wolf two times in three. So `daily_trend` judges daily means, with the variance of the
test widened for that autocorrelation, and needs an effect that matters as well as significance. One verdict rests on
it: which of two depths of a slab moves (`slabs/moisture_supply.py`). Rates and stalls have a test of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from monitord.analysis.series.parameters import SERIES
from monitord.model.series import Array


@dataclass(frozen=True)
class DailyTrend:
    """A trend over days: `direction` +1 rising, -1 falling, 0 none shown, None too few days to judge."""

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


def lag_one(values: Array) -> float:
    """Autocorrelation of neighbouring values, NaN being missing; 0 where none can be estimated. [-1..1]"""
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
    1 - 1.5/n, is what n days can distinguish from a random walk (our choice).
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
    Mann 1945, Kendall 1975 and Sen 1968 (J. Am. Stat. Assoc. 63:1379) as `scipy.stats.kendalltau` and `theilslopes`
    compute them, with the variance of S widened as Hamed and Rao 1998 do, but by the lag-one
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
    slope, low, high = _sen_slope(kept, known, alpha, widened)
    p = _chance_of_trend(kept, widened)
    matters = abs(slope) * (known[-1] - known[0]) >= min_effect
    direction = int(np.sign(slope)) if p < alpha and matters else 0
    return DailyTrend(direction, len(known), slope, low, high, p, r)


def _chance_of_trend(daily: Array, widened: float) -> float:
    """Two-sided p of the Mann–Kendall test, its normal score lessened by the root of the widened variance."""
    from scipy.stats import kendalltau

    p = float(kendalltau(np.arange(len(daily)), daily, method="asymptotic").pvalue)
    if math.isnan(p):  # all values alike
        return 1.0
    return 2.0 * float(ndtr(ndtri(0.5 * p) / math.sqrt(widened)))


def _sen_slope(daily: Array, day: NDArray[np.intp], alpha: float, widened: float) -> tuple[float, float, float]:
    """Sen's slope and its limits, widened; infinite where the widened limits lie beyond every pair's slope.

    The limits are at ranks (N ± z·√Var S)/2 of the N slopes of pairs, so √widened goes to z, and with it to the share
    of the normal distribution beyond the limits, which is what `theilslopes` is given.

    Source
    ------
    Sen 1968 (J. Am. Stat. Assoc. 63:1379); Var S without ties: Kendall 1975.
    """
    from scipy.stats import theilslopes

    n = len(daily)
    z = -float(ndtri(0.5 * alpha)) * math.sqrt(widened)
    found = theilslopes(daily, day, alpha=2.0 * float(ndtr(-z)))
    if z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18.0) > n * (n - 1) / 2.0:  # Var S without ties: the wider limits
        return float(found.slope), -math.inf, math.inf
    return float(found.slope), float(found.low_slope), float(found.high_slope)


def _day_means(values: Array, per_day: int) -> Array:
    """Means of the last whole days that end with the series; NaN where under half of a day is known."""
    days = len(values) // per_day
    blocks = values[len(values) - days * per_day :].reshape(days, per_day)
    known = np.isfinite(blocks)
    count = known.sum(axis=1)
    total = np.where(known, blocks, 0.0).sum(axis=1)
    return np.where(2 * count >= per_day, total / np.maximum(count, 1), np.nan)
