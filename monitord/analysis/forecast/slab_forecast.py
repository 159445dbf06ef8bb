"""Outlook of a sleeve by the falling rate of concrete: the observed rate fixes the one unknown, D1/L²."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from monitord.analysis.drying.metric import Metric
from monitord.analysis.drying.progress import Progress, cleaned
from monitord.analysis.forecast.air_response import FIRST_PASSAGE
from monitord.analysis.forecast.slab_curves import SlabCurve, slab_curve
from monitord.analysis.forecast.time_to_goal import STALL_SHARE, TimeToGoal
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import day_means
from monitord.model.series import Array
from monitord.physics.concrete import TYPICAL_DIFFUSIVITY_M2_S, diffusivity_temperature_factor

_DAY_S = 86_400.0
_AIR_H = 168
"""Hours whose air a slab is taken to dry into: it does not follow the weather of days. [h]"""
_SHAPE_DAYS, _SHAPE_NOISE = 20, 0.15
"""Days whose shape tells a slab's speed, and the usual error of a day's mean about it. [% RH]"""

_UNCERTAINTY = 1.2
"""The level's doubt as a multiple of the probe's: concrete does not quite follow one curve (our choice)."""


def slab_time_to_goal(here: HourlySeries, metric: Metric, shown: Progress, first: int) -> TimeToGoal | None:
    """Outlook of a sleeve by concrete's falling rate, counted from the middle of the last day."""
    location = here.location
    if shown.recent is None:
        return None
    thickness = location.slab_thickness_mm or 2.5 * (location.depth_mm or 40.0)
    drying_mm = thickness / (location.drying_sides or 1)
    depth_share = min((location.depth_mm or 0.4 * thickness) / drying_mm, 1.0)
    end = metric.end_over(_AIR_H)
    surface = 0.5 if end is None else end / 100.0
    now = min(shown.recent / 100.0, 0.995)
    start = min(1.0, max(now + 0.02, (shown.start or 0.0) / 100.0, 0.94))
    curve = slab_curve(depth_share, start, min(surface, now - 0.03))
    s_now = float(curve.time_at(now))
    t = here.temperature_c[-72:]
    t_mean = float(np.nanmean(t)) if np.isfinite(t).any() else 18.0
    prior_k = (
        TYPICAL_DIFFUSIVITY_M2_S * float(diffusivity_temperature_factor(t_mean)) / (drying_mm / 1000.0) ** 2 * _DAY_S
    )
    log_k = np.log(prior_k) + np.linspace(-3.0, 3.0, 61)
    k = np.exp(log_k)
    weight = -0.5 * ((log_k - np.log(prior_k)) / 0.9) ** 2 + _shape_likelihood(here, metric, first, curve, s_now, k)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    share = ndtri((np.arange(9) + 0.5) / 9.0)
    goal = (
        metric.goal.limit + 0.5 * FIRST_PASSAGE * _wander(here, metric, first) + _UNCERTAINTY * metric.u * share
    ) / 100.0
    to_go = np.maximum(curve.time_at(goal) - s_now, 0.0)
    held = np.repeat((goal <= surface)[None, :], len(k), axis=0)
    to_go = np.where(goal >= now, 0.0, np.where(goal <= surface, np.inf, to_go))
    days = np.maximum(to_go[None, :] / k[:, None] - 0.5, 0.0)  # `recent` is the level of half a day ago
    week = np.interp(s_now + 7.0 * k, curve.s, curve.humidity)
    flat = (now - week)[:, None] < STALL_SHARE * (now - goal)[None, :]
    weights = np.repeat(weight[:, None] / 9.0, 9, axis=1)
    return TimeToGoal(days.ravel(), weights.ravel(), held.ravel(), flat.ravel(), end=end)


def _wander(here: HourlySeries, metric: Metric, first: int) -> float:
    """Standard deviation of what temperature does to a day's mean. [% RH]"""
    by_warmth = day_means((metric.value - cleaned(here, metric))[first:], _SHAPE_DAYS)
    return float(np.nanstd(by_warmth)) if np.isfinite(by_warmth).sum() >= 3 else 0.0


def _shape_likelihood(
    here: HourlySeries, metric: Metric, first: int, curve: SlabCurve, s_now: float, k: Array
) -> Array:
    """Log likelihood of each speed k (D1/L², per day), from how far each fits the days since the sleeve settled.

    Only the shape counts: the level is free, for the probe's offset is unknown. Days near each other share their
    error, so their weight is halved.
    """
    daily = day_means(cleaned(here, metric)[first:], _SHAPE_DAYS)
    known = np.flatnonzero(np.isfinite(daily))
    if len(known) < 3:
        return np.zeros(len(k))
    ago = len(daily) - 0.5 - known
    course = 100.0 * np.interp(s_now - k[:, None] * ago[None, :], curve.s, curve.humidity)
    residual = daily[known] - course
    residual = residual - residual.mean(axis=1, keepdims=True)
    spread = np.hypot(_SHAPE_NOISE, 0.1 * np.ptp(course, axis=1))
    likelihood = -0.25 * np.sum(residual**2, axis=1) / spread**2 - 0.5 * len(known) * np.log(spread)
    return np.asarray(likelihood)
