"""Chooses the limit of each goal once it is known how the building dries, as a practitioner's round number."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulators.scenario import EQUILIBRIUM_RH, RH, TIMBER_MC, VP_EXCESS, GoalRequest
from simulators.truth.ground_truth import Hourly

Array = NDArray[np.float64]

_BOUNDS = {EQUILIBRIUM_RH: (65.0, 95.0), RH: (45.0, 88.0), VP_EXCESS: (40.0, 800.0), TIMBER_MC: (11.0, 24.0)}
METRIC_PER_PCT = {VP_EXCESS: 20.0, TIMBER_MC: 0.35}
"""What one % RH is worth in a metric that is not itself in % RH."""
_STEP = {EQUILIBRIUM_RH: 0.5, RH: 1.0, VP_EXCESS: 10.0, TIMBER_MC: 0.5}


def choose_limit(wish: GoalRequest, hourly: Hourly, start_s: float, end_s: float) -> float:
    """The limit of a goal.

    Parameters
    ----------
    hourly : the metric with the wish's window.
    """
    if wish.how == "fixed":
        return wish.limit
    inside = (hourly.hour_s > start_s) & (hourly.hour_s <= end_s)
    if wish.how == "below_end":
        rest = hourly.windowed[(hourly.hour_s > end_s) & (hourly.hour_s <= end_s + 60 * 86_400.0)]
        minimum = float(min(hourly.windowed[inside].min(), rest.min() if len(rest) else np.inf))
        value = minimum - wish.share * METRIC_PER_PCT.get(wish.metric, 1.0)
    else:
        at = start_s + wish.share * (end_s - start_s)
        value = float(hourly.windowed[int(np.argmin(np.abs(hourly.hour_s - at)))])
    low, high = _BOUNDS[wish.metric]
    step = _STEP[wish.metric]
    return float(np.clip(step * round(value / step), low, high))
