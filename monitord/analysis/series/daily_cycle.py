"""A gappy hourly series continued by its daily cycle: what the last days did at each hour, moved to where it is now.

The cycle is the weighted mean of the last days. How far the last hours lie from it fades out over the next hours,
and the change from the day before to the last day goes on in part. How fast a dull day fades differs from location to
location (within an afternoon in a ventilated attic in summer, over days in a wall in winter), and so does how many days
make its cycle: each of a few forecasts is weighed by how well it foretold the lowest value of the last days here. The
spread is what the weighed forecast got wrong before, from every sixth hour of the last days, held towards a usual
spread while there are few of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.parameters import SERIES
from monitord.model.series import Array, Flags
from monitord.physics.numeric import FloatOrArray

DAY_H = 24


@dataclass(frozen=True)
class Continuation:
    """A series continued, each (hours,), in its unit."""

    value: Array
    u: Array
    """Standard deviation of what the same forecast got wrong before at each distance."""
    lowest: float
    """The least value of these hours, corrected by how past ones came out against what was forecast."""
    u_lowest: float
    errors: Array
    """Forecast minus outcome of past forecasts, (origins, hours); NaN where unknown."""


def prior_spread(hours: int) -> Array:
    """Spread of the forecast of a surface's margin in ordinary winters. [K] From simulated winters."""
    growth = 1.0 - np.exp(-np.arange(1, hours + 1) / SERIES.prior_growth_h)
    return np.asarray(SERIES.prior_spread_k + SERIES.prior_spread_k * growth)


@dataclass(frozen=True)
class _Cycles:
    """The cycles of n series, and where these are now."""

    cycle: Array
    """(n, 24); NaN where no day has that hour."""
    lately: Array
    """How far the last hours lie from the cycle, (n,)."""
    change: Array
    """What changed from the day before to the last day, (n,)."""

    @classmethod
    def of(cls, days: Array, day_weight: float = SERIES.day_weight) -> _Cycles:
        """Of the last days of each series, (n, days, 24), the last day first; NaN where unknown."""
        weight = day_weight ** np.arange(days.shape[1])[:, None] * np.isfinite(days)
        total = weight.sum(axis=1)
        summed = np.nansum(weight * np.nan_to_num(days), axis=1)
        cycle = np.where(total > 0, summed / np.where(total > 0, total, 1), np.nan)
        apart = days[:, 0] - cycle
        now = _mean(apart[:, -SERIES.distance_h :])
        lately = np.where(np.isfinite(now), now, _mean(apart[:, -DAY_H // 2 :]))
        change = _mean(days[:, 0] - days[:, 1]) if days.shape[1] > 1 else np.full(len(days), 0.0)
        return cls(cycle, np.nan_to_num(lately), np.nan_to_num(change))

    def ahead(self, hours: int, fade: float = SERIES.hourly_fade) -> Array:
        """Each continued by its cycle, (n, hours); NaN where no day has that hour."""
        ahead = np.arange(1, hours + 1)
        moved = self.lately[:, None] * fade**ahead
        moved = moved + SERIES.trend_share * self.change[:, None] * ahead / DAY_H
        return np.asarray(np.tile(self.cycle, (1, -(-hours // DAY_H)))[:, :hours] + moved)


def _mean(values: Array) -> Array:
    """Means of the rows over what is known; NaN where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=1)
    return np.where(count > 0, np.where(known, values, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _days_before(value: Array, ends: Array, days: int) -> Array:
    """The last days before each end, (ends, days, 24), the last day first; NaN before the start."""
    padded = np.concatenate([np.full(days * DAY_H, np.nan), value])
    at = ends.astype(np.int64)[:, None, None]
    back = DAY_H * np.arange(days - 1, -1, -1)[None, ::-1, None]
    hour = np.arange(DAY_H)[None, None, :]
    # in the padded series an end stands days * 24 further on
    return np.asarray(padded[at + days * DAY_H - DAY_H - back + hour])


def past_origins(n: int) -> Array:
    """The ends of history from which past forecasts are judged, newest last."""
    step = SERIES.origin_step_h
    newest_first = np.arange(n - step, DAY_H, -step)[: SERIES.origin_days * DAY_H // step]
    return np.asarray(newest_first[::-1], dtype=float)


def outcomes(value: Array, ends: Array, hours: int) -> Array:
    """What came after each end, (ends, hours); NaN beyond the series."""
    padded = np.concatenate([value, np.full(hours, np.nan)])
    return np.asarray(padded[ends.astype(np.int64)[:, None] + np.arange(hours)[None, :]])


def continuations(value: Array, ends: Array, hours: int, days: int) -> Array:
    """Continue a series from each of several ends of history, (ends, hours)."""
    return _Cycles.of(_days_before(value, ends, days)).ahead(hours)


def _candidates(values: Array, ends: Array, hours: int, days: int) -> Array:
    """Continuations of each series with each fade and each memory of the cycle, (candidates, series, ends, hours)."""
    long = np.concatenate([_days_before(value, ends, max(days, SERIES.long_cycle_days)) for value in values])
    memories = _Cycles.of(long[:, :days]), _Cycles.of(long, SERIES.long_day_weight)
    made = np.stack([cycles.ahead(hours, fade) for fade in SERIES.fades for cycles in memories])
    return made.reshape(len(made), len(values), len(ends), hours)


def _weights(past: Array, outcome: Array) -> Array:
    """Weight of each candidate from its past errors in the lowest value, (candidates, series); all alike without any.

    Parameters
    ----------
    past : past forecasts of each, (candidates, series, origins, hours).
    outcome : what came after each origin, (series, origins, hours); NaN where unknown.

    Source
    ------
    Posterior of models with normal errors of unknown variance, (mean square)^(-n/2) (Jeffreys' prior; from memory);
    n is the days of origins, for forecasts that are hours apart share their error.
    """
    forecast, came, whole = _lowest_values(past, outcome)
    square = np.where(whole, np.square(forecast - came), 0.0).sum(axis=-1) / np.maximum(whole.sum(axis=-1), 1)
    log_weight = -0.5 * SERIES.origin_days * np.log(np.maximum(square, SERIES.min_square_error))
    weight = np.exp(log_weight - log_weight.max(axis=0))
    return np.asarray(np.where(whole[0].any(axis=-1), weight / weight.sum(axis=0), 1.0 / len(weight)))


def continue_series(
    values: Array,
    hours: int,
    days: int,
    min_u: float,
    moved: Sequence[tuple[Array, Array] | None] = (),
    held_under: float = -np.inf,
) -> list[Continuation | None]:
    """Continue hourly series; None where too little of the last days is known.

    Parameters
    ----------
    values : hourly values up to now of each series, (series, n); NaN where unknown.
    days : how many past days make the cycle.
    min_u : least standard deviation that is believed.
    moved : what is known of the hours to come from elsewhere, for each series or for none: added to the forecast,
        (hours,), and to the past forecasts had it been known then, (origins, hours) for `past_origins(n)`.
    held_under : value under which something holds a series back: a forecast goes under it, or under the lowest value
        that the series has had, by a share of the way only.
    """
    known = np.isfinite(values)
    enough = (known[:, -2 * DAY_H :].sum(axis=1) >= SERIES.min_known_h) & known[:, -SERIES.newest_h :].any(axis=1)
    asked = np.flatnonzero(enough).tolist()
    found: list[Continuation | None] = [None] * len(values)
    if not asked:
        return found
    n = values.shape[1]
    ends = past_origins(n)
    outcome = np.stack([outcomes(values[k], ends, hours) for k in asked])
    made = _candidates(values[asked], np.concatenate([ends, [float(n)]]), hours, days)
    for at, k in enumerate(asked):
        added = moved[k] if moved else None
        if added is not None:
            made[:, at] += np.concatenate([added[1], added[0][None]])
    lowest_had = np.minimum(held_under, np.nanmin(values[asked], axis=1))
    made = _held(made, lowest_had[:, None, None])
    blend = np.einsum("cs,csoh->soh", _weights(made[:, :, :-1], outcome), made)
    past, prior = blend[:, :-1], prior_spread(hours)
    errors = past - outcome
    u = np.maximum(_spread(errors, prior), min_u)
    forecast, came, whole = _lowest_values(past, outcome)
    for at, k in enumerate(asked):
        future, its = blend[at, -1], whole[at]
        if np.isfinite(future).all():
            lowest, u_lowest = _lowest(forecast[at, its], came[at, its], float(future.min()), float(prior[-1]))
            held = float(_held(np.array([lowest]), lowest_had[at])[0])
            found[k] = Continuation(future, u[at], held, max(u_lowest, min_u), errors[at])
    return found


def _held(value: Array, held_under: FloatOrArray) -> Array:
    """Values that go under a level by a share of the way only."""
    return np.asarray(np.maximum(value, held_under) + SERIES.held_share * np.minimum(value - held_under, 0.0))


def _lowest(forecast: Array, came: Array, coming: float, usual_u: float) -> tuple[float, float]:
    """The least value to come and its standard deviation, from the least values of past forecasts and what came.

    A line through what came against what was forecast, its slope held towards 1.

    Source
    ------
    Bayesian linear regression with a normal prior of the slope; origins that are hours apart share their error, so the
    days count.
    """
    n, usual = len(forecast), SERIES.prior_weight * usual_u**2
    if not n:
        return coming, usual_u
    shift = float(np.sum(forecast - came)) / (n + SERIES.prior_weight)
    variance = (float(np.sum(np.square(forecast - shift - came))) + usual) / (n + SERIES.prior_weight)
    centre, days = float(forecast.mean()), SERIES.origin_step_h / DAY_H
    apart = forecast - centre
    held = 1.0 / SERIES.slope_u**2
    known = days * float(np.sum(apart * apart)) / variance
    slope = (days * float(np.sum(apart * (came - came.mean()))) / variance + held) / (known + held)
    error = centre - shift + slope * apart - came
    left = (float(np.sum(error * error)) + usual) / (n + SERIES.prior_weight)
    beyond = coming - centre
    return centre - shift + slope * beyond, float(np.sqrt(left + beyond * beyond / (known + held)))


def _lowest_values(past: Array, outcome: Array) -> tuple[Array, Array, Flags]:
    """Lowest forecast and lowest outcome of past forecasts, and whether their hours are over and known.

    (..., origins, hours) to (..., origins).
    """
    known = np.isfinite(past - outcome)
    whole = known.mean(axis=-1) >= SERIES.min_outcome_share
    lowest, came = (np.where(known, value, np.inf).min(axis=-1) for value in (past, outcome))
    return np.where(whole, lowest, 0.0), np.where(whole, came, 0.0), whole


def _spread(errors: Array, prior: Array) -> Array:
    """Root mean square over the origins, held towards a prior while there are few; (series, origins, n)."""
    known = np.isfinite(errors)
    squares = np.where(known, errors, 0.0) ** 2
    return np.asarray(
        np.sqrt((squares.sum(axis=1) + SERIES.prior_weight * prior**2) / (known.sum(axis=1) + SERIES.prior_weight))
    )
