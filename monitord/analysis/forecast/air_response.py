"""Outlook of what follows the air around it: cavities, voids, and the timber in them.

The past fixes how fast it follows and what it stays off its air (`response`); the future is the air of these days,
carried on by its trend, with the doubt of how it wandered.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from monitord.analysis.drying.metric import Metric
from monitord.analysis.forecast.first_order_fit import (
    Draw,
    FirstOrderFit,
    FirstOrderPrior,
    fit_first_order,
    normal_draws,
    times_to,
)
from monitord.analysis.forecast.time_to_goal import HORIZON_D, STALL_SHARE, TimeToGoal
from monitord.analysis.series.rolling import line
from monitord.analysis.wood.timber import TimberEstimate
from monitord.model.jobs import LocationKind
from monitord.model.series import Array, Flags

_STEP_SD = {"% RH": 4.0, "Pa": 60.0, "% MC": 1.5}
"""Usual deviation at the start of the fit from what the air would bring (our choice), as all that follows by unit."""
_NOISE = {"% RH": 1.2, "Pa": 40.0, "% MC": 0.4}
"""Of a half day's mean about the course: probe and model error together (our choice)."""
_OFFSET_SD = {"% RH": 8.0, "Pa": 25.0, "% MC": 2.0}
"""How far a place stays off what its air would bring, by sources of its own (our choice)."""
_END_SD = {"% RH": 1.0, "Pa": 15.0, "% MC": 0.3}
"""The air of the days to come is not that of today: this at least, and a share of how it wandered lately."""
_END_UNSEEN_SD = {"% RH": 20.0, "Pa": 200.0, "% MC": 5.0}
"""More for a void whose outdoor air nobody measures: until it is near its room, the room alone does not tell what it
is heading for. At most this much."""
_OUTDOOR_SHARE = {kind: (0.15, 0.2) for kind in LocationKind} | {LocationKind.SUBFLOOR_VOID: (0.6, 0.3)}
"""Share of the outdoor air in what a place is heading for, before its readings tell (our choice)."""
_TAU_D = 6.0
"""Usual time constant of a hollow place, before its readings tell (our choice). [days]"""
FIRST_PASSAGE = 0.8
"""A mean that wanders by one meets its limit about so much before its course does."""
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


@dataclass(frozen=True)
class _Following:
    """A series that follows its air."""

    fit: FirstOrderFit
    final: Array
    """Where each draw is heading in the air of these days, (draws,)."""
    level: float
    """What the air itself would bring it to."""
    drop: Array
    """How much lower the driest three days of outdoor air of the last month would bring it, for each draw, (draws,)."""


def _follow(value: Array, metric: Metric, kind: LocationKind) -> _Following | None:
    """The response of a series to the metric's air; None while too little is known."""
    past = _half_days(value, _SPANS)
    if len(past) < 4:
        return None
    end = metric.end if metric.end is not None else np.zeros(len(value))
    ends = _held(_half_days(end, _SPANS))
    other = None
    if metric.other_end is not None and np.isfinite(metric.other_end[-480:]).any():
        other = _held(_half_days(metric.other_end, _SPANS))
    unit = metric.unit
    prior = FirstOrderPrior(_OFFSET_SD[unit], _STEP_SD[unit], _OUTDOOR_SHARE[kind], _TAU_D, 0.9, _NOISE[unit])
    fit = fit_first_order(past, ends, other, prior)
    if fit is None:
        return None
    level, sd = _present_end(ends)
    other_level, other_sd = (level, sd) if other is None else _present_end(other)
    mixed = level + fit.share * (other_level - level)
    drop = np.zeros(len(fit.now))
    if other is not None and metric.other_end is not None:  # the room as now, the weather as it was at its driest
        month = _held(_half_days(metric.other_end, 2 * _WEATHER_DAYS))
        drop = fit.share * max(other_level - _driest(month), 0.0)
    spread = np.hypot(np.hypot((1.0 - fit.share) * sd, fit.share * other_sd), _END_SD[unit])
    if other is None and kind is LocationKind.SUBFLOOR_VOID:
        spread = np.hypot(spread, np.minimum(np.abs(fit.now - mixed), _END_UNSEEN_SD[unit]))
    final = mixed + fit.offset + spread * np.resize(normal_draws()[:, Draw.AIR_AHEAD], len(fit.now))
    return _Following(fit, final, level, drop)


_TREND_DAYS = 10
_TREND_AHEAD_D = 5.0
"""How many days of the trend of an air lie ahead: a room that dries goes on drying, ever more slowly (our choice)."""


def _present_end(ends: Array) -> tuple[float, float]:
    """Where the air of the days to come is heading, and its doubt, from half-day means.

    The mean of the last three days, carried on by what is sure of their trend; the doubt is how far days lay from
    that trend.
    """
    days = ends[len(ends) % 2 :].reshape(-1, 2).mean(axis=1)[-_TREND_DAYS:]
    level = float(ends[-6:].mean())
    if len(days) < 5:
        return level, 0.7 * float(days.std()) if len(days) >= 3 else 0.0
    slope, se, _ = line(days)
    sure = slope * max(0.0, 1.0 - (2.0 * se / slope) ** 2) if slope != 0.0 else 0.0
    rest = float((days - slope * np.arange(len(days))).std())
    return level + _TREND_AHEAD_D * sure, float(np.hypot(0.7 * rest, _TREND_AHEAD_D * se))


_WEATHER_DAYS = 30
"""A month of this season: what its weather did it may do again (our choice)."""


def _driest(ends: Array) -> float:
    """Lowest three-day mean."""
    width = min(6, len(ends))
    return float(np.convolve(ends, np.full(width, 1.0 / width), "valid").min())


def _targets(fit: FirstOrderFit, metric: Metric, base: float) -> Array:
    """The limit above `base` as the probe would read it, over the doubt of its level, for each draw.

    A mean over a day that wanders about its course meets the limit before the course does: by about its scatter.
    """
    share = normal_draws()[:, Draw.LIMIT]
    limit = base + metric.goal.limit + FIRST_PASSAGE * fit.scatter
    return limit + metric.u * np.resize(share, len(fit.now))


def air_response_time_to_goal(metric: Metric, kind: LocationKind) -> TimeToGoal | None:
    """Outlook of an element that follows the air around it."""
    found = _follow(metric.value, metric, kind)
    if found is None:
        return None
    fit, final = found.fit, found.final
    target = _targets(fit, metric, found.level if metric.over_air else 0.0)
    week = final + (fit.now - final) * np.exp(-7.0 / fit.tau_d)
    flat = fit.now - week < STALL_SHARE * (fit.now - target)
    days = times_to(fit, final, target)
    if not metric.over_air:  # an excess is over the air itself, so a drier air does not help it
        days = np.where(days <= HORIZON_D, days, times_to(fit, final - found.drop, target))
    end = None if metric.over_air else float(fit.weight @ final)
    return TimeToGoal(days, fit.weight, final >= target, flat, final - fit.offset >= target, end)


_LAG_SHARE, _LAG_LOG_SD = 1.3, 0.4
"""Timber's lag over the setting, and its spread: joists are of every thickness (our choice)."""
_START_OVER_PCT, _START_MOST_PCT = 3.0, 34.0
"""Timber began evenly between so much over its goal and so much: a goal was set because it is wet, and soaked timber
lies a little over fibre saturation (our choice). [% of dry mass]"""


def timber_time_to_goal(metric: Metric, kind: LocationKind, lag_days: float) -> TimeToGoal | None:
    """Outlook of timber: the air beside it follows the surrounding air, and the timber lags that air.

    Nobody knows how thick the timber is nor how wet it began: both are drawn.
    """
    timber = metric.timber
    found = None if timber is None else _follow(timber.equilibrium, metric, kind)
    if found is None or timber is None:
        return None
    fit, final = found.fit, found.final
    draws = normal_draws()
    lags = _LAG_SHARE * lag_days * np.exp(_LAG_LOG_SD * draws[:, Draw.LAG])
    least = metric.goal.limit + _START_OVER_PCT
    starts = least + max(_START_MOST_PCT - least, 0.0) * ndtr(draws[:, Draw.START])
    level = np.resize(_lagged_levels(timber, lags, starts), len(fit.now))
    lag = np.resize(lags, len(fit.now))
    target = metric.goal.limit + timber.u_species * np.resize(draws[:, Draw.LIMIT], len(fit.now))
    reached, flat = _timber_course(fit, final, level, lag, target)
    if (reached > HORIZON_D).any():
        in_drier, _ = _timber_course(fit, final - found.drop, level, lag, target)
        reached = np.where(reached <= HORIZON_D, reached, in_drier)
    by_air = final - fit.offset >= target
    return TimeToGoal(reached, fit.weight, final >= target, flat, by_air, float(fit.weight @ final))


def _timber_course(fit: FirstOrderFit, final: Array, level: Array, lag: Array, target: Array) -> tuple[Array, Flags]:
    """Days until timber is at its target while its air heads for `final`, and whether it hardly moves, each (draws,).

    M' = (E(t) − M)/lag with E(t) = final + (now − final)·exp(−t/τ).
    """
    days = np.r_[np.arange(0.0, 15.0, 1.0), np.geomspace(15.0, HORIZON_D + 5.0, 50)]
    tau = np.where(np.abs(fit.tau_d - lag) < 0.05, lag + 0.1, fit.tau_d)
    ahead = (fit.now - final) * tau / (tau - lag)
    course = (
        final[:, None]
        + ahead[:, None] * np.exp(-days / tau[:, None])
        + (level - final - ahead)[:, None] * np.exp(-days / lag[:, None])
    )
    under = course <= target[:, None]
    reached = np.where(under.any(axis=1), days[np.argmax(under, axis=1)], np.inf)
    return reached, course[:, 0] - course[:, 7] < STALL_SHARE * (course[:, 0] - target)


def _lagged_levels(timber: TimberEstimate, lags_d: Array, starts: Array) -> Array:
    """Moisture content now for each lag and start, (draws,), with the spot readings weighed in as they came. [%]"""
    held = _held(timber.equilibrium)
    first = int(np.argmax(np.isfinite(timber.equilibrium)))  # what it did before anything was heard is in its start
    level, held = starts, held[first:]
    keep = np.exp(-1.0 / (24.0 * lags_d))
    at = 0
    for index, spot in ((max(index - first, 0), spot) for index, spot in timber.spots):
        level = _carried(level, held[at:index], keep)
        variance = float(level.var()) + timber.u_species**2
        level = level + variance / (variance + spot.u_pct**2) * (spot.moisture_content_pct - level)
        at = index
    return _carried(level, held[at:], keep)


def _carried(level: Array, equilibrium: Array, keep: Array) -> Array:
    """First-order lag of each level (draws,) over the hours of an equilibrium value (n,)."""
    ago = np.arange(len(equilibrium))[::-1]
    return np.asarray((1.0 - keep) * (keep[:, None] ** ago @ equilibrium) + keep ** len(equilibrium) * level)
