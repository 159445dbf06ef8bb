"""When will the goal be met: low, middle and high of a central 80 % interval, or never in this air.

Two curves, each scaled by what this location has shown. A sleeve follows the falling rate of concrete
(`slab_curves`): the observed rate fixes the one unknown, D1/L². Everything else decays towards what the air around it
allows (`decay`). The doubt of the probe's level, of the rate and of the curve are all in the interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy.special import ndtri

from monitord.analysis.comparison import utc
from monitord.analysis.drying import Progress, cleaned
from monitord.analysis.metric import Metric, is_sleeve
from monitord.analysis.response import Response, ResponsePrior, fit_response, normal_pairs, quantile, times_to
from monitord.analysis.rolling import day_means
from monitord.analysis.slab_curves import SlabCurve, slab_curve
from monitord.analysis.track import Track
from monitord.model.assessments import Forecast
from monitord.model.jobs import LocationKind
from monitord.model.series import Array, Flags
from monitord.physics.concrete import diffusivity_temperature_factor

_DAY_S = 86_400.0
_STALL_SHARE = 0.10

NEVER_AT = 0.85
"""Probability from which the goal is said not to be reached in this air; under it a date is given, high end open."""

HORIZON_D = 365.0
"""A goal that is further away than this is not reached in this air."""

_D1 = 3.5e-10
"""Typical D1 of concrete (fib Model Code 2010), only where the readings do not tell yet. [m²/s]"""


@dataclass(frozen=True)
class Outlook:
    """Weighted draws of the days still to go; infinite is never."""

    days: Array
    weights: Array
    held_back: Flags
    """Per draw: the air allows no end below the goal."""
    flat: Flags
    """Per draw: under a tenth of what remains goes in the next seven days."""

    def at(self, share: float) -> float:
        """Quantile, infinite beyond the horizon. [days]"""
        value = quantile(self.days, self.weights, share)
        return value if value <= HORIZON_D else float("inf")

    @property
    def never(self) -> float:
        """Probability that the goal is not reached within the horizon."""
        return float(self.weights[self.days > HORIZON_D].sum())

    @property
    def stalled(self) -> float:
        """Probability that it hardly moves because of the air around it."""
        return float(self.weights[self.held_back & self.flat].sum())

    @property
    def no_progress(self) -> float:
        """Probability that it hardly moves, whatever the cause."""
        return float(self.weights[self.flat].sum())


_STEP_SD = {"% RH": 4.0, "Pa": 60.0, "% MC": 1.5}
_NOISE = {"% RH": 1.2, "Pa": 40.0, "% MC": 0.4}
_OFFSET_SD = {"% RH": 3.0, "Pa": 25.0, "% MC": 0.5}
_END_SD = {"% RH": 1.0, "Pa": 15.0, "% MC": 0.3}
"""The air of the days to come is not that of today: this at least, and a share of how it wandered lately."""
_OUTDOOR_SHARE = {kind: (0.15, 0.2) for kind in LocationKind} | {LocationKind.SUBFLOOR_VOID: (0.6, 0.3)}
"""Share of the outdoor air in what a place is heading for, before its readings tell (our choice)."""
_TAU_D = 6.0
_FIRST_PASSAGE = 0.8
_SHAPE_DAYS, _SHAPE_NOISE = 20, 0.25
"""Days whose shape tells a slab's speed, and the usual error of a day's mean about it. [% RH]"""
_SPANS = 40
"""Half days that the response is fitted to."""


def _half_days(value: Array, spans: int) -> Array:
    """Means of the last 12-hour spans, oldest first, NaN where fewer than four hours are known."""
    n = min(len(value) // 12, spans)
    if n == 0:
        return np.empty(0)
    blocks = value[len(value) - 12 * n :].reshape(n, 12)
    known = np.isfinite(blocks)
    count = known.sum(axis=1)
    return np.where(count >= 4, np.where(known, blocks, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _held(value: Array) -> Array:
    """The same with each gap filled by what came before it, or by what comes after where nothing did."""
    known = np.isfinite(value)
    if not known.any():
        return np.zeros(len(value))
    at = np.maximum.accumulate(np.where(known, np.arange(len(value)), -1))
    return value[np.where(at < 0, int(np.flatnonzero(known)[0]), at)]


def _follow(value: Array, metric: Metric, kind: LocationKind) -> tuple[Response, Array] | None:
    """The response of a series to the metric's air, and where each draw is heading in the air of these days."""
    past = _half_days(value, _SPANS)
    if len(past) < 4:
        return None
    end = metric.end if metric.end is not None else np.zeros(len(value))
    ends = _held(_half_days(end, _SPANS))
    other = None
    if metric.other_end is not None and np.isfinite(metric.other_end[-480:]).any():
        other = _held(_half_days(metric.other_end, _SPANS))
    unit = metric.unit
    prior = ResponsePrior(_OFFSET_SD[unit], _STEP_SD[unit], _OUTDOOR_SHARE[kind], _TAU_D, 0.9, _NOISE[unit])
    fit = fit_response(past, ends, other, prior)
    if fit is None:
        return None
    level, sd = _present_end(ends)
    other_level, other_sd = (level, sd) if other is None else _present_end(other)
    mixed = level + fit.share * (other_level - level)
    spread = np.hypot(np.hypot((1.0 - fit.share) * sd, fit.share * other_sd), _END_SD[unit])
    return fit, mixed + fit.offset + spread * np.resize(np.roll(normal_pairs()[:, 1], 11), len(fit.now))


def _present_end(ends: Array) -> tuple[float, float]:
    """Mean of the last three days' half-day means, and how far days wandered about their mean lately."""
    days = ends[len(ends) % 2 :].reshape(-1, 2).mean(axis=1)[-10:]
    return float(ends[-6:].mean()), 0.7 * float(days.std()) if len(days) >= 3 else 0.0


def _targets(fit: Response, metric: Metric) -> Array:
    """The limit as the probe would read it, over the doubt of its level, for each draw.

    A mean over a day that wanders about its course meets the limit before the course does: by about its scatter.
    """
    share = np.roll(normal_pairs()[:, 1], 7)
    return metric.goal.limit + _FIRST_PASSAGE * fit.scatter + metric.u * np.resize(share, len(fit.now))


def response_outlook(metric: Metric, kind: LocationKind) -> Outlook | None:
    """Outlook of an element that follows the air around it."""
    found = _follow(metric.value, metric, kind)
    if found is None:
        return None
    fit, final = found
    target = _targets(fit, metric)
    week = final + (fit.now - final) * np.exp(-7.0 / fit.tau_d)
    flat = fit.now - week < _STALL_SHARE * (fit.now - target)
    return Outlook(times_to(fit, final, target), fit.weight, final >= target, flat)


def timber_outlook(metric: Metric, kind: LocationKind, lag_days: float) -> Outlook | None:
    """Outlook of timber: the air beside it follows the surrounding air, and the timber lags that air."""
    timber = metric.timber
    found = None if timber is None else _follow(timber.equilibrium, metric, kind)
    if found is None or timber is None:
        return None
    fit, ends = found
    days = np.r_[np.arange(0.0, 60.0, 1.0), np.geomspace(60.0, HORIZON_D + 5.0, 40)]
    final = ends[:, None]
    start = fit.now[:, None]
    low, high = float(timber.low[-1]), float(timber.high[-1])
    share = np.clip(0.6 + 0.25 * np.resize(normal_pairs()[:, 0], len(fit.now)), 0.0, 1.0)
    level = (low + (high - low) * share)[:, None]
    tau = np.where(np.abs(fit.tau_d - lag_days) < 0.05, fit.tau_d + 0.1, fit.tau_d)[:, None]
    # M' = (E(t) - M)/lag with E(t) = final + (start - final) exp(-t/tau)
    share = tau / (tau - lag_days)
    ahead = (start - final) * share * np.exp(-days / tau)
    course = final + ahead + (level - final - (start - final) * share) * np.exp(-days / lag_days)
    target = (metric.goal.limit + 0.7 * np.resize(np.roll(normal_pairs()[:, 1], 7), len(fit.now)))[:, None]
    under = course <= target
    first = np.argmax(under, axis=1)
    reached = np.where(under.any(axis=1), days[first], np.inf)
    flat = course[:, 0] - course[:, 7] < _STALL_SHARE * (course[:, 0] - target[:, 0])
    return Outlook(reached, fit.weight, final[:, 0] >= target[:, 0], flat)


def slab_outlook(here: Track, metric: Metric, shown: Progress, first: int) -> Outlook | None:
    """Outlook of a sleeve by concrete's falling rate."""
    place = here.location
    if shown.recent is None:
        return None
    thickness = place.slab_thickness_mm or 2.5 * (place.depth_mm or 40.0)
    drying_mm = thickness / (place.drying_sides or 1)
    depth_share = min((place.depth_mm or 0.4 * thickness) / drying_mm, 1.0)
    end = metric.end_over(72)
    surface = 0.5 if end is None else end / 100.0
    now = min(shown.recent / 100.0, 0.995)
    start = min(1.0, max(now + 0.02, (shown.start or 0.0) / 100.0, 0.94))
    curve = slab_curve(depth_share, start, min(surface, now - 0.03))
    s_now = float(curve.time_at(now))
    t = here.temperature_c[-72:]
    t_mean = float(np.nanmean(t)) if np.isfinite(t).any() else 18.0
    prior_k = _D1 * float(diffusivity_temperature_factor(t_mean)) / (drying_mm / 1000.0) ** 2 * _DAY_S
    log_k = np.log(prior_k) + np.linspace(-3.0, 3.0, 61)
    k = np.exp(log_k)
    weight = -0.5 * ((log_k - np.log(prior_k)) / 0.9) ** 2 + _shape_likelihood(here, metric, first, curve, s_now, k)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    share = ndtri((np.arange(9) + 0.5) / 9.0)
    goal = (metric.goal.limit + metric.u * share) / 100.0
    to_go = np.maximum(curve.time_at(goal) - s_now, 0.0)
    held = np.repeat((goal <= surface)[None, :], len(k), axis=0)
    to_go = np.where(goal >= now, 0.0, np.where(goal <= surface, np.inf, to_go))
    days = to_go[None, :] / k[:, None]
    week = np.interp(s_now + 7.0 * k, curve.s, curve.humidity)
    flat = (now - week)[:, None] < _STALL_SHARE * (now - goal)[None, :]
    weights = np.repeat(weight[:, None] / 9.0, 9, axis=1)
    return Outlook(days.ravel(), weights.ravel(), held.ravel(), flat.ravel())


def _shape_likelihood(here: Track, metric: Metric, first: int, curve: SlabCurve, s_now: float, k: Array) -> Array:
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


def outlook(here: Track, metric: Metric, shown: Progress, first: int, lag_days: float) -> Outlook | None:
    """Days still to go until the goal is met, with doubt; None while there is nothing to say."""
    if metric.timber is not None:
        return timber_outlook(metric, here.location.kind, lag_days)
    if is_sleeve(here):
        return slab_outlook(here, metric, shown, first)
    return response_outlook(metric, here.location.kind)


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
