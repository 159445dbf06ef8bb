"""Is it at its goal?"""

from __future__ import annotations

from monitord.analysis.slabs.posterior.outlook import Outlook


def goal_probability(futures: Outlook, limit_pct: float) -> float:
    """Probability that the mean over the goal's window, without the probe's bias, is at or under the limit. [0..1]"""
    return float((futures.window_pct <= limit_pct).mean())
