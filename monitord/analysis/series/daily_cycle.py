"""A gappy hourly series continued by its daily cycle: what the last days did at each hour, moved to where it is now.

The cycle is the weighted mean of the last days. How far the last hours lie from it fades out over the next hours,
and the change from the day before to the last day goes on in part. How fast a dull day fades differs from location to
location (within an afternoon in a ventilated attic in summer, over days in a wall in winter), and so does how many days
make its cycle: each of a few forecasts is weighed by how well it foretold the lowest value of the last days here. The
spread is what the weighed forecast got wrong before, from every sixth hour of the last days, held towards a usual
spread while there are few of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.parameters import SERIES
from monitord.model.series import Array

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


def _candidates(value: Array, ends: Array, hours: int, days: int) -> Array:
    """Continuations with each fade and each memory of the cycle, (candidates, ends, hours)."""
    long = _days_before(value, ends, max(days, SERIES.long_cycle_days))
    memories = _Cycles.of(long[:, :days]), _Cycles.of(long, SERIES.long_day_weight)
    return np.stack([cycles.ahead(hours, fade) for fade in SERIES.fades for cycles in memories])


def _weights(past: Array, outcome: Array) -> Array:
    """Weight of each candidate from its past errors in the lowest value, (candidates,).

    Parameters
    ----------
    past : past forecasts of each, (candidates, origins, hours).
    came : what came after each origin, (origins, hours); NaN where unknown.

    Source
    ------
    Posterior of models with normal errors of unknown variance, (mean square)^(-n/2) (Jeffreys' prior; from memory);
    n is the days of origins, for forecasts that are hours apart share their error.
    """
    square = np.array([np.mean(np.square(_lowest_errors(one, outcome)), dtype=float) for one in past])
    with np.errstate(divide="ignore"):
        log_weight = -0.5 * SERIES.origin_days * np.log(np.maximum(square, SERIES.min_square_error))
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def continue_series(
    value: Array,
    hours: int,
    days: int,
    min_u: float,
    moved: tuple[Array, Array] | None = None,
    held_under: float = -np.inf,
) -> Continuation | None:
    """Continue an hourly series; None where too little of the last days is known.

    Parameters
    ----------
    value : hourly values up to now, (n,); NaN where unknown.
    days : how many past days make the cycle.
    min_u : least standard deviation that is believed.
    moved : what is known of the hours to come from elsewhere: added to the forecast, (hours,), and to the past
        forecasts had it been known then, (origins, hours) for `past_origins(n)`.
    held_under : value under which something holds the series back: a forecast goes under it, or under the lowest value
        that the series has had, by a share of the way only.
    """
    n = len(value)
    known = np.isfinite(value)
    if known[-2 * DAY_H :].sum() < SERIES.min_known_h or not known[-SERIES.newest_h :].any():
        return None
    ends = past_origins(n)
    outcome = outcomes(value, ends, hours)
    made = _candidates(value, np.concatenate([ends, [float(n)]]), hours, days)
    if moved is not None:
        made = made + np.concatenate([moved[1], moved[0][None]])
    held_under = min(held_under, float(np.nanmin(value)))
    made = _held(made, held_under)
    if len(_lowest_errors(made[0, :-1], outcome)):
        blend = np.einsum("c,coh->oh", _weights(made[:, :-1], outcome), made)
    else:
        blend = made.mean(axis=0)
    past, future = blend[:-1], blend[-1]
    errors = past - outcome
    if not np.isfinite(future).all():
        return None
    prior = prior_spread(hours)
    lowest, u_lowest = _lowest(past, outcome, float(future.min()), float(prior[-1]))
    return Continuation(
        future,
        np.maximum(_spread(errors, prior), min_u),
        float(_held(np.array([lowest]), held_under)[0]),
        max(u_lowest, min_u),
        errors,
    )


def _held(value: Array, held_under: float) -> Array:
    """Values that go under a level by a share of the way only."""
    return np.asarray(np.maximum(value, held_under) + SERIES.held_share * np.minimum(value - held_under, 0.0))


def _lowest(past: Array, outcome: Array, coming: float, usual_u: float) -> tuple[float, float]:
    """The least value to come and its standard deviation, from how the least values of past forecasts came out.

    A line through what came against what was forecast, its slope held towards 1.

    Source
    ------
    Bayesian linear regression with a normal prior of the slope; origins that are hours apart share their error, so the
    days count.
    """
    forecast, came = _lowest_values(past, outcome)
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


def _lowest_values(past: Array, outcome: Array) -> tuple[Array, Array]:
    """Lowest forecast and lowest outcome of the past forecasts whose hours are over and known."""
    errors = past - outcome
    whole = np.isfinite(errors).mean(axis=1) >= SERIES.min_outcome_share
    if not whole.any():
        return np.empty(0), np.empty(0)
    known = np.isfinite(errors[whole])
    expected, came = np.where(known, past[whole], np.inf), np.where(known, outcome[whole], np.inf)
    return np.asarray(expected.min(axis=1)), np.asarray(came.min(axis=1))


def _lowest_errors(past: Array, outcome: Array) -> Array:
    """Lowest forecast minus lowest outcome of the past forecasts whose hours are over and known."""
    expected, came = _lowest_values(past, outcome)
    return expected - came


def _spread(errors: Array, prior: Array) -> Array:
    """Root mean square of the columns, held towards a prior while there are few."""
    known = np.isfinite(errors)
    squares = np.where(known, errors, 0.0) ** 2
    return np.asarray(
        np.sqrt((squares.sum(axis=0) + SERIES.prior_weight * prior**2) / (known.sum(axis=0) + SERIES.prior_weight))
    )
