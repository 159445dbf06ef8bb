"""When will the goal be met: low, middle and high of a central 80 % interval, or never in this air.

A place decays towards what the air around it allows (`air_response`), scaled by what it has shown. The doubt of the
probe's level, of the rate and of the curve are all in the interval. A sleeve's own humidity is dated by the ensemble of
its slab instead (`slabs/posterior`).
"""

from __future__ import annotations

from datetime import datetime

import numpy as np

from monitord.analysis.drying.metric import Metric
from monitord.analysis.drying.progress import Progress
from monitord.analysis.forecast.air_response import air_response_time_to_goal, timber_time_to_goal
from monitord.analysis.forecast.first_order_fit import normal_draws, quantile
from monitord.analysis.forecast.time_to_goal import HORIZON_D, TimeToGoal
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.model.assessments import Forecast
from monitord.model.series import Array

_DAY_S = 86_400.0

_SOON_D = 0.25
"""Less is not told apart: goals are judged every six hours. [days]"""
_LEVEL_H = 24.0
"""The level that the days to go count from is a mean of the last day. [h]"""
_PACE_SHARE = 0.3
"""Weight of a hollow place that keeps its pace beside one that slows as it nears its air: wet material gives off at a
steady pace first (our choice)."""

NEVER_AT = 0.9
"""Probability from which the goal is said not to be reached in this air; under it a date is given, high end open."""


def time_to_goal(here: HourlySeries, metric: Metric, lag_days: float) -> TimeToGoal | None:
    """Days still to go until the goal is met, with doubt; None while there is nothing to say."""
    followed = metric if metric.followed is None else metric.followed
    if followed.timber is not None:
        return timber_time_to_goal(followed, here.location.kind, lag_days)
    return air_response_time_to_goal(followed, here.location.kind)


def _centre(days: Array, weights: Array) -> float:
    """Central estimate: the geometric mean, for what counts is the error as a share of the time left. [days]

    Less than `_SOON_D` counts as that.
    """
    return float(np.exp(np.log(np.maximum(days, _SOON_D)) @ weights))


def _with_pace(view: TimeToGoal, metric: Metric, shown: Progress) -> tuple[Array, Array]:
    """Days to go and their weights, with those of a hollow place that keeps the pace of the last days among them."""
    if metric.timber is not None or shown.recent is None or shown.days < 3 or not np.isfinite(shown.rate_se):
        return view.days, view.weights
    draws = normal_draws(12, 2)
    pace = -(shown.rate + 1.2 * shown.rate_se * draws[:, 0])
    left = np.maximum(shown.recent - metric.goal.limit - metric.u * draws[:, 1], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.where(left == 0.0, 0.0, left / pace)[(pace > 0.0) | (left == 0.0)]
    days = days[days <= HORIZON_D]
    if not len(days):
        return view.days, view.weights
    weights = np.full(len(days), _PACE_SHARE / len(days))
    return np.concatenate([view.days, days]), np.concatenate([(1.0 - _PACE_SHARE) * view.weights, weights])


def to_forecast(view: TimeToGoal, metric: Metric, as_of_s: float, pace: Progress | None = None) -> Forecast:
    """The outlook as dates. A goal over a window longer than the day of the level is met later by half of what is more.

    `pace` is how a hollow place has moved lately; it bears on the date, not on whether there is one.
    """
    lag = max(metric.goal.window_h - _LEVEL_H, 0.0) / 48.0
    never = view.never
    said_never = never >= NEVER_AT
    low, middle, high = float("inf"), float("inf"), float("inf")
    if not said_never:
        days, weights = (view.days, view.weights) if pace is None else _with_pace(view, metric, pace)
        high = quantile(days, weights, 0.9)
        high = high if high <= HORIZON_D else float("inf")
        finite = days <= HORIZON_D
        days, weights = days[finite], weights[finite] / weights[finite].sum()
        low = quantile(days, weights, 0.1)
        middle = min(max(_centre(days, weights), low), high)
    elif never < 0.98:
        low = view.at(0.1)

    def date(days: float) -> datetime | None:
        return utc(as_of_s + (days + lag) * _DAY_S) if np.isfinite(days) else None

    return Forecast(
        made_at=utc(as_of_s),
        low=date(low),
        middle=date(middle),
        high=date(high),
        never=not np.isfinite(middle),
        high_never=not np.isfinite(high),
    )
