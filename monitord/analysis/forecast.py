"""When will the goal be met: low, middle and high of a central 80 % interval, or never in this air.

Two curves, each scaled by what this location has shown. A sleeve follows the falling rate of concrete
(`slab_outlook`). Everything else decays towards what the air around it allows (`following`). The doubt of the probe's
level, of the rate and of the curve are all in the interval.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np

from monitord.analysis.comparison import utc
from monitord.analysis.drying import Progress
from monitord.analysis.following import response_outlook, timber_outlook
from monitord.analysis.metric import Metric, is_sleeve
from monitord.analysis.outlook import HORIZON_D, Outlook
from monitord.analysis.response import quantile
from monitord.analysis.slab_outlook import slab_outlook
from monitord.analysis.track import Track
from monitord.model.assessments import Forecast

_DAY_S = 86_400.0

NEVER_AT = 0.85
"""Probability from which the goal is said not to be reached in this air; under it a date is given, high end open."""


def outlook(here: Track, metric: Metric, shown: Progress, first: int, lag_days: float) -> Outlook | None:
    """Days still to go until the goal is met, with doubt; None while there is nothing to say."""
    followed = metric if metric.followed is None else metric.followed
    if followed.timber is not None:
        return timber_outlook(followed, here.location.kind, lag_days)
    if is_sleeve(here):
        return slab_outlook(here, metric, shown, first)
    return response_outlook(followed, here.location.kind)


def to_forecast(view: Outlook, metric: Metric, as_of_s: float, reason: str) -> Forecast:
    """The outlook as dates. The goal is a mean over its window, so it is met half a window after the value."""
    lag = metric.goal.window_h / 48.0
    never = view.never
    said_never = never >= NEVER_AT
    finite = view.days <= HORIZON_D
    low, middle, high = float("inf"), float("inf"), float("inf")
    if not said_never:
        days, weights = view.days[finite], view.weights[finite] / view.weights[finite].sum()
        low, middle = quantile(days, weights, 0.1), quantile(days, weights, 0.5)
        high = view.at(0.9)
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
        reason=reason,
    )
