"""When will the goal be met: low, middle and high of a central 80 % interval, or never in this air.

Two curves, each scaled by what this location has shown. A sleeve follows the falling rate of concrete
(`slab_curves`): the observed rate fixes the one unknown, D1/L². Everything else decays towards what the air around it
allows (`decay`). The doubt of the probe's level, of the rate and of the curve are all in the interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from monitord.analysis.comparison import utc
from monitord.analysis.decay import DecayPrior, quantile, times_to
from monitord.analysis.drying import Progress, cleaned
from monitord.analysis.metric import Metric, is_sleeve
from monitord.analysis.slab_curves import slab_curve
from monitord.analysis.track import Track
from monitord.model.assessments import Forecast
from monitord.model.jobs import GoalMetric
from monitord.model.series import Array
from monitord.physics.concrete import diffusivity_temperature_factor

_DAY_S = 86_400.0
HORIZON_D = 365.0
"""A goal that is further away than this is not reached in this air."""

_D1 = 3.5e-10
"""Typical D1 of concrete (fib Model Code 2010), only where the readings do not tell yet. [m²/s]"""


@dataclass(frozen=True)
class Outlook:
    """Weighted draws of the days still to go; infinite is never."""

    days: Array
    weights: Array

    def at(self, share: float) -> float:
        """Quantile, infinite beyond the horizon. [days]"""
        value = quantile(self.days, self.weights, share)
        return value if value <= HORIZON_D else float("inf")

    @property
    def never(self) -> float:
        """Probability that the goal is not reached within the horizon."""
        return float(self.weights[self.days > HORIZON_D].sum())


_PRIORS = {
    GoalMetric.RH: DecayPrior((0.0, 2.5), 40.0, 8.0, 0.9, 1.0),
    GoalMetric.EQUILIBRIUM_RH: DecayPrior((0.0, 2.5), 40.0, 20.0, 0.9, 0.7),
    GoalMetric.VAPOUR_PRESSURE_EXCESS: DecayPrior((0.0, 30.0), 900.0, 8.0, 0.9, 25.0),
    GoalMetric.TIMBER_MOISTURE: DecayPrior((0.0, 1.0), 15.0, 18.0, 0.6, 0.3),
}


def _half_days(value: Array, spans: int) -> tuple[Array, Array]:
    """Means of the last 12-hour spans and their middles in days before the end, oldest first, known ones only."""
    days, means = [], []
    n = len(value)
    for k in range(spans - 1, -1, -1):
        part = value[max(0, n - 12 * (k + 1)) : n - 12 * k]
        known = part[np.isfinite(part)]
        if len(known) >= 4:
            days.append(-(12.0 * k + 6.0) / 24.0)
            means.append(float(known.mean()))
    return np.array(days), np.array(means)


def decay_outlook(metric: Metric) -> Outlook | None:
    """Outlook of an element that decays towards what the air around it allows."""
    end = metric.end if metric.end is not None else np.zeros(len(metric.value))
    end_now = end[np.isfinite(end)][-1] if np.isfinite(end).any() else 0.0
    day, distance = _half_days(metric.value - np.where(np.isfinite(end), end, end_now), 28)
    if len(day) < 4:
        return None
    target = metric.goal.limit - float(end_now)
    draws, weights, _, _ = times_to(day, distance, target, metric.u, _PRIORS[metric.goal.metric])
    return Outlook(draws, weights)


def slab_outlook(here: Track, metric: Metric, shown: Progress) -> Outlook | None:
    """Outlook of a sleeve by concrete's falling rate."""
    place = here.location
    if shown.recent is None:
        return None
    thickness = place.slab_thickness_mm or 2.5 * (place.depth_mm or 40.0)
    drying_mm = thickness / (place.drying_sides or 1)
    depth_share = min((place.depth_mm or 0.4 * thickness) / drying_mm, 1.0)
    surface = 0.5
    if metric.end is not None and np.isfinite(metric.end[-1]):
        surface = float(metric.end[-1]) / 100.0
    now = min(shown.recent / 100.0, 0.995)
    start = min(1.0, max(now + 0.02, (shown.start or 0.0) / 100.0, 0.94))
    curve = slab_curve(depth_share, start, min(surface, now - 0.03))
    slope = curve.rate_at(now)
    t = here.temperature_c[-72:]
    t_mean = float(np.nanmean(t)) if np.isfinite(t).any() else 18.0
    prior_k = _D1 * float(diffusivity_temperature_factor(t_mean)) / (drying_mm / 1000.0) ** 2 * _DAY_S
    log_k = np.log(prior_k) + np.linspace(-3.0, 3.0, 61)
    k = np.exp(log_k)
    weight = -0.5 * ((log_k - np.log(prior_k)) / 0.9) ** 2
    if np.isfinite(shown.rate_se):
        expected = -100.0 * slope * k
        spread = np.sqrt(shown.rate_se**2 + 0.02**2 + (0.25 * expected) ** 2)
        weight = weight - 0.5 * ((shown.rate - expected) / spread) ** 2 - np.log(spread)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    share = ndtri((np.arange(9) + 0.5) / 9.0)
    goal = (metric.goal.limit + metric.u * share) / 100.0
    to_go = np.maximum(curve.time_at(goal) - curve.time_at(now), 0.0)
    to_go = np.where(goal >= now, 0.0, np.where(goal <= surface, np.inf, to_go))
    days = to_go[None, :] / k[:, None]
    return Outlook(days.ravel(), np.repeat(weight[:, None] / 9.0, 9, axis=1).ravel())


def outlook(here: Track, metric: Metric, shown: Progress) -> Outlook | None:
    """Days still to go until the goal is met, with doubt; None while there is nothing to say."""
    if is_sleeve(here) and metric.goal.metric in (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH):
        return slab_outlook(here, metric, shown)
    return decay_outlook(metric)


def to_forecast(view: Outlook, metric: Metric, as_of_s: float, reason: str) -> Forecast:
    """The outlook as dates. The goal is a mean over its window, so it is met half a window after the value."""
    lag = metric.goal.window_h / 48.0
    low, middle, high = (view.at(share) for share in (0.1, 0.5, 0.9))

    def date(days: float):  # type: ignore[no-untyped-def]
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


__all__ = ["HORIZON_D", "Outlook", "cleaned", "decay_outlook", "outlook", "slab_outlook", "to_forecast"]
