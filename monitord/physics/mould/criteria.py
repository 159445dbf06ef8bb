"""Mould criteria of standards: monthly means (EN ISO 13788) and running means (ASHRAE 160), tolerant of gaps.

A verdict is 1.0 (the criterion is exceeded), 0.0 (it is kept), or NaN (too little is known). A gap is unknown:
it is left out of a mean, and a mean over too little is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.physics.numeric import Array, in_range

ISO_13788_LIMIT_PCT = 80.0
"""Monthly mean surface humidity that may not be exceeded. [%] EN ISO 13788:2012."""

ASHRAE_160_LIMIT_PCT = 80.0
"""30-day mean surface humidity that must be stayed under. [%] ASHRAE 160-2009 and its addendum a (2011)."""

ASHRAE_160_COLDEST_C, ASHRAE_160_HOTTEST_C = 5.0, 40.0
"""30-day mean surface temperatures between which the ASHRAE 160 criterion counts. [°C]"""

ASHRAE_160_HOURS = 720
"""Window of the ASHRAE 160 criterion: 30 days. [h]"""

EARLY_CAUTION_HOURS = 168
"""Window of the early caution: the EN ISO 13788 limit over seven days above 5 °C. [h] Our choice."""


@dataclass(frozen=True)
class MonthlyHumidity:
    """Mean surface humidity of each month, how much of it is known, and the verdict, each (months,)."""

    month: NDArray[np.int64]
    mean_pct: Array
    known_share: Array
    exceeded: Array


def monthly_surface_humidity(
    month: NDArray[np.int64],
    surface_rh_pct: Array,
    limit_pct: float = ISO_13788_LIMIT_PCT,
    min_known_share: float = 0.75,
) -> MonthlyHumidity:
    """Monthly mean surface humidity against the limit of EN ISO 13788.

    Parameters
    ----------
    month : Number of the month of each hour, such as year·12 + month; all that belong together. [number] Range any.
    surface_rh_pct : Surface humidity of each hour. [%] Range 0..1E6; above 100 counts as 100; NaN: unknown.
    limit_pct : Limit. [%] Range 0..100.
    min_known_share : Share of a month's hours that must be known for a verdict. [0..1] Range 0..1; our choice.

    Returns
    -------
    Mean, known share and verdict of each month present, in order. [%, 0..1, 1/0/NaN]

    Raises
    ------
    PhysicsRangeError : a value outside its range.

    Source
    ------
    EN ISO 13788:2012: monthly mean surface humidity at most 80 %. The standard works from monthly mean
    climates; we take the mean of the hourly surface humidity, which follows what really happened.
    """
    rh = np.minimum(in_range("surface_rh_pct", np.asarray(surface_rh_pct), 0.0, 1e6, "%"), 100.0)
    limit = in_range("limit_pct", limit_pct, 0.0, 100.0, "%")
    minimum = in_range("min_known_share", min_known_share, 0.0, 1.0, "")
    months, member = np.unique(np.asarray(month), return_inverse=True)
    known = ~np.isnan(rh)
    hours = np.bincount(member, minlength=len(months))
    known_h = np.bincount(member[known], minlength=len(months))
    total = np.bincount(member[known], weights=rh[known], minlength=len(months))
    mean = np.where(known_h > 0, total / np.maximum(known_h, 1), np.nan)
    share = known_h / np.maximum(hours, 1)
    enough = (share >= minimum) & (known_h > 0)
    return MonthlyHumidity(months, mean, share, np.where(enough, (mean > limit).astype(np.float64), np.nan))


def running_mean(values: Array, window_h: int, min_known_share: float = 0.75) -> Array:
    """Mean of the last hours, at the end of each hour, leaving out what is missing.

    Parameters
    ----------
    values : Hourly values, (hours,) or (hours, n). [any unit] Range finite; NaN: unknown.
    window_h : Length of the window. [h] Range 1..100 000.
    min_known_share : Share of the window that must be known. [0..1] Range 0..1; our choice.

    Returns
    -------
    Running mean in the shape given. [unit of `values`] NaN until the first full window, and where too little is
    known.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or an infinite one.

    Source
    ------
    Arithmetic mean; the form of ASHRAE 160's 30-day criterion.
    """
    window = int(in_range("window_h", window_h, 1, 100_000, "h"))
    minimum = in_range("min_known_share", min_known_share, 0.0, 1.0, "")
    given = np.asarray(in_range("values", np.asarray(values), -1e300, 1e300, ""))
    known = ~np.isnan(given)
    zero = np.zeros((1, *given.shape[1:]))
    total = np.concatenate([zero, np.cumsum(np.where(known, given, 0.0), axis=0)])
    count = np.concatenate([zero, np.cumsum(known, axis=0, dtype=np.float64)])
    out = np.full(given.shape, np.nan)
    if len(given) < window:
        return out
    known_h = count[window:] - count[:-window]
    enough = (known_h > 0) & (known_h >= minimum * window)
    out[window - 1 :] = np.where(enough, (total[window:] - total[:-window]) / np.maximum(known_h, 1.0), np.nan)
    return out


def ashrae_160_exceeded(
    surface_temperature_c: Array,
    surface_rh_pct: Array,
    window_h: int = ASHRAE_160_HOURS,
    limit_pct: float = ASHRAE_160_LIMIT_PCT,
    min_known_share: float = 0.75,
) -> Array:
    """Verdict of the running-mean criterion of ASHRAE 160 at the end of each hour.

    With `window_h` 168 it is the early caution over seven days, which is our choice.

    Parameters
    ----------
    surface_temperature_c : Hourly surface temperature, (hours,) or (hours, n). [°C] Range -100..200; NaN: unknown.
    surface_rh_pct : Hourly surface humidity. [%] Range 0..1E6; above 100 counts as 100; NaN: unknown.
    window_h : Length of the window. [h] Range 1..100 000.
    limit_pct : Limit of the mean humidity. [%] Range 0..100.
    min_known_share : Share of the window that must be known. [0..1] Range 0..1; our choice.

    Returns
    -------
    1.0 where the mean humidity has reached the limit while the mean temperature is 5..40 °C, 0.0 where not, NaN
    where too little is known. [1/0/NaN]

    Raises
    ------
    PhysicsRangeError : a value outside its range.

    Source
    ------
    ASHRAE 160-2009 with addendum a: 30-day running mean surface humidity under 80 % when the 30-day mean surface
    temperature is 5..40 °C, as given by Glass et al. 2017 (ASTM STP1599). The 2016 edition uses the mould index.
    """
    t = in_range("surface_temperature_c", np.asarray(surface_temperature_c), -100.0, 200.0, "°C")
    rh = np.minimum(in_range("surface_rh_pct", np.asarray(surface_rh_pct), 0.0, 1e6, "%"), 100.0)
    mean_t = running_mean(np.asarray(t), window_h, min_known_share)
    mean_rh = running_mean(rh, window_h, min_known_share)
    counts = (mean_t >= ASHRAE_160_COLDEST_C) & (mean_t <= ASHRAE_160_HOTTEST_C)
    verdict = (counts & (mean_rh >= in_range("limit_pct", limit_pct, 0.0, 100.0, "%"))).astype(np.float64)
    return np.where(np.isnan(mean_t) | np.isnan(mean_rh), np.nan, verdict)
