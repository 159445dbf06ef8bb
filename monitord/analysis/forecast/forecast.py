"""When will the goal be met: low, middle and high of a central 80 % interval, or never in this air.

A location decays towards what its reference air allows (`air_response`), scaled by what it has shown. The uncertainties
of the probe's level, of the rate and of the curve are in the interval. A sleeve's own humidity is dated by the ensemble
of its slab instead (`slabs/posterior`).
"""

from __future__ import annotations

from datetime import datetime

import numpy as np

from monitord.analysis.drying.metric import Metric
from monitord.analysis.drying.progress import Progress
from monitord.analysis.forecast.air_response import air_response_time_to_goal, timber_time_to_goal
from monitord.analysis.forecast.first_order_fit import normal_draws, quantile
from monitord.analysis.forecast.parameters import FORECAST
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import DAY_S, utc
from monitord.model.assessments import Forecast
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import Array


def time_to_goal(series: HourlySeries, metric: Metric, options: AnalysisOptions) -> TimeToGoal | None:
    """Days still to go until the goal is met, with uncertainty; None while there is nothing to say."""
    followed, kind = metric if metric.followed is None else metric.followed, series.location.kind
    if followed.timber is not None:
        return timber_time_to_goal(followed, kind, options.timber_lag_days, options.stall_share_per_week)
    return air_response_time_to_goal(followed, kind, options.stall_share_per_week)


def _centre(days: Array, weights: Array) -> float:
    """Central estimate: the geometric mean, for what counts is the error as a share of the time left. [days]

    Goals are judged every `goals_every_s`: less is not told apart.
    """
    soon_d = ASSESSMENT.goals_every_s / DAY_S
    return float(np.exp(np.log(np.maximum(days, soon_d)) @ weights))


def _with_pace(view: TimeToGoal, metric: Metric, shown: Progress) -> tuple[Array, Array]:
    """Days to go and their weights, with those of a cavity or void that keeps the pace of the last days among them."""
    if metric.timber is not None or shown.recent is None or not np.isfinite(shown.rate_se):
        return view.days, view.weights
    draws = normal_draws(FORECAST.pace_draws)
    pace = -(shown.rate + FORECAST.pace_se * shown.rate_se * draws[:, 0])
    left = np.maximum(shown.recent - metric.goal.limit - metric.u * draws[:, 1], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.where(left == 0.0, 0.0, left / pace)[(pace > 0.0) | (left == 0.0)]
    days = days[days <= ASSESSMENT.horizon_d]
    if not len(days):
        return view.days, view.weights
    share = FORECAST.pace_share
    weights = np.full(len(days), share / len(days))
    return np.concatenate([view.days, days]), np.concatenate([(1.0 - share) * view.weights, weights])


def to_forecast(view: TimeToGoal, metric: Metric, as_of_s: float, pace: Progress | None = None) -> Forecast:
    """The outlook as dates. A goal over a window longer than the day of the level is met later by half of what is more.

    `pace` is how a cavity or void has moved lately; it bears on the date, not on whether there is one.
    """
    lag = 0.5 * max(metric.goal.window_h - 24.0, 0.0) / 24.0
    never = view.never
    said_never = never >= FORECAST.never_probability
    low, middle, high = float("inf"), float("inf"), float("inf")
    if not said_never and view.weights[view.days <= ASSESSMENT.horizon_d].any():
        days, weights = (view.days, view.weights) if pace is None else _with_pace(view, metric, pace)
        high = quantile(days, weights, 1.0 - FORECAST.tail)
        high = high if high <= ASSESSMENT.horizon_d else float("inf")
        finite = days <= ASSESSMENT.horizon_d
        days, weights = days[finite], weights[finite] / weights[finite].sum()
        low = quantile(days, weights, FORECAST.tail)
        middle = min(max(_centre(days, weights), low), high)
    else:
        low = view.at(FORECAST.tail)

    def date(days: float) -> datetime | None:
        return utc(as_of_s + (days + lag) * DAY_S) if np.isfinite(days) else None

    return Forecast(
        made_at=utc(as_of_s),
        low=date(low),
        middle=date(middle),
        high=date(high),
        never=not np.isfinite(middle),
        high_never=not np.isfinite(high),
    )
