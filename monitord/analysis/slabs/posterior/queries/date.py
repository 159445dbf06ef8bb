"""When will it be at its goal, if it gets there?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.model.series import Array


@dataclass(frozen=True)
class GoalDate:
    """Days to go from the end of the last day: the central 80 % and the middle of the futures that arrive."""

    low_d: float
    middle_d: float
    high_d: float


def arrival(futures: Outlook, limit_pct: float) -> Array:
    """Days until each future first reads the limit or less, (draws,); infinite where it does not within the horizon."""
    met = futures.humidity_pct <= limit_pct
    first = np.argmax(met, axis=1)
    days = np.where(met.any(axis=1), 0.0, np.inf)
    later = np.flatnonzero(met.any(axis=1) & (first > 0))
    k = first[later]
    before, after = futures.humidity_pct[later, k - 1], futures.humidity_pct[later, k]
    part = (before - limit_pct) / (before - after)
    days[later] = futures.time_d[k - 1] + part * (futures.time_d[k] - futures.time_d[k - 1])
    return np.where(days > ASSESSMENT.horizon_d, np.inf, days)


def goal_date(futures: Outlook, limit_pct: float, window_d: float) -> GoalDate | None:
    """When the mean over the goal's window meets the limit; None where no future arrives.

    A date is given while the goal is not held to be met, so it is that of the futures that are not there yet; where all
    that arrive are there, of those. The mean over a window falls behind its end by half the window.
    """
    days = arrival(futures, limit_pct)
    days = days[np.isfinite(days)]
    if not len(days):
        return None
    to_come = days[days > 0.0]
    days = to_come if len(to_come) else days
    shares = (POSTERIOR.date_low, POSTERIOR.date_middle, POSTERIOR.date_high)
    return GoalDate(*(float(days) + 0.5 * window_d for days in np.quantile(days, shares)))
