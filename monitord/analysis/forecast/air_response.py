"""Outlook of what follows the air around it: cavities, voids, and the timber in them.

The past fixes how fast it follows and what it stays off its air (`response`); the future is the air of these days,
carried on by its trend, with the uncertainty of how it wandered.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
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
from monitord.analysis.forecast.parameters import FORECAST
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.rolling import line
from monitord.analysis.series.times import WEEK_D
from monitord.analysis.wood.parameters import WOOD
from monitord.analysis.wood.timber import TimberEstimate
from monitord.model.jobs import LocationKind
from monitord.model.series import Array, Flags


def _half_days(value: Array, spans: int) -> Array:
    """Means of the last spans of `span_h`, oldest first, NaN where fewer than `span_min_h` hours are known."""
    width = FORECAST.span_h
    n = min(len(value) // width, spans)
    if n == 0:
        return np.empty(0)
    blocks = value[len(value) - width * n :].reshape(n, width)
    known = np.isfinite(blocks)
    count = known.sum(axis=1)
    mean = np.where(known, blocks, 0.0).sum(axis=1) / np.maximum(count, 1)
    return np.where(count >= FORECAST.span_min_h, mean, np.nan)


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
    week: Array
    """Where each draw is heading in the coming week, if its air is about what it was of late, (draws,)."""
    week_level: float
    """What that air itself would bring it to."""


def _follow(value: Array, metric: Metric, kind: LocationKind) -> _Following | None:
    """The response of a series to the metric's air; None while too little is known."""
    spans = FORECAST.fitted_spans
    past = _half_days(value, spans)
    if len(past) < FORECAST.min_spans:
        return None
    end = metric.end if metric.end is not None else np.zeros(len(value))
    ends = _held(_half_days(end, spans))
    other = None
    if metric.other_end is not None and np.isfinite(metric.other_end[-spans * FORECAST.span_h :]).any():
        other = _held(_half_days(metric.other_end, spans))
    unit = metric.unit
    prior = FirstOrderPrior(
        offset_sd=FORECAST.offset_sd[unit],
        step_sd=FORECAST.step_sd[unit],
        share=FORECAST.void_outdoor_share if kind is LocationKind.SUBFLOOR_VOID else FORECAST.outdoor_share,
        tau_median_d=FORECAST.tau_median_d,
        tau_log_sd=FORECAST.tau_log_sd,
        noise_sd=FORECAST.noise_sd[unit],
    )
    fit = fit_first_order(past, ends, other, prior)
    if fit is None:
        return None
    level, sd = _present_end(ends)
    other_level, other_sd = (level, sd) if other is None else _present_end(other)
    mixed = level + fit.share * (other_level - level)
    drop = np.zeros(len(fit.now))
    month = _month(end)
    other_month = month
    if other is not None and metric.other_end is not None:  # the room as now, the weather as it was at its driest
        other_month = _month(metric.other_end)
        drop = fit.share * max(other_level - _driest(other_month), 0.0)
    spread = np.hypot(np.hypot((1.0 - fit.share) * sd, fit.share * other_sd), FORECAST.end_sd[unit])
    unseen = np.zeros(len(fit.now))
    if other is None and kind is LocationKind.SUBFLOOR_VOID:
        unseen = np.minimum(np.abs(fit.now - mixed), FORECAST.unseen_sd[unit])
    ahead = np.resize(normal_draws()[:, Draw.AIR_AHEAD], len(fit.now))
    final = mixed + fit.offset + np.hypot(spread, unseen) * ahead
    week_level, week, week_sd = _coming_week(fit, month, other_month, FORECAST.end_sd[unit])
    week = week + fit.offset + np.hypot(week_sd, unseen) * ahead
    return _Following(fit, final, level, drop, week, week_level)


def _month(end: Array) -> Array:
    """Half-day means of the last month, without gaps."""
    return _held(_half_days(end, 24 // FORECAST.span_h * FORECAST.weather_days))


def _coming_week(fit: FirstOrderFit, ends: Array, others: Array, least_sd: float) -> tuple[float, Array, float]:
    """The air of late: where it alone would bring the location, each draw, (draws,), and by how much weeks differ.

    Weather comes back to its usual level: the mean of ten days foretells the week that follows better than that of
    three. How well, the month tells: by the weeks that came after each ten days of it (at the first: after five). Where
    the last three days lie farther off than twice that, the air has changed, and theirs is taken.
    """
    count = min(len(ends), len(others))
    ends, others = ends[len(ends) - count :], others[len(others) - count :]
    mixed = ends + float(fit.weight @ fit.share) * (others - ends)
    a_day = 24 // FORECAST.span_h
    width, week = a_day * FORECAST.week_from_days, a_day * WEEK_D
    total = np.r_[0.0, np.cumsum(mixed)]
    at = np.arange(width // 2, count - week + 1)
    sd = FORECAST.wander_share * float(mixed.std())
    if len(at) >= FORECAST.week_records:
        before = np.minimum(at, width)
        error = (total[at + week] - total[at]) / week - (total[at] - total[at - before]) / before
        sd = float(np.sqrt(np.mean(error**2)))
    sd = max(sd, least_sd)
    newest = a_day * FORECAST.present_days
    if abs(float(mixed[-newest:].mean() - mixed[-width:].mean())) > FORECAST.air_changed_sd * sd:
        width = newest
    level, other = (float(air[-width:].mean()) for air in (ends, others))
    return level, level + fit.share * (other - level), sd


def _present_end(ends: Array) -> tuple[float, float]:
    """Where the air of the days to come is heading, and its uncertainty, from half-day means.

    The mean of the last days (`present_days`), carried on by what is sure of their trend; the uncertainty is how far
    days lay from that trend.
    """
    a_day, share = 24 // FORECAST.span_h, FORECAST.wander_share
    days = ends[len(ends) % a_day :].reshape(-1, a_day).mean(axis=1)[-FORECAST.trend_days :]
    level = float(ends[-a_day * FORECAST.present_days :].mean())
    if len(days) < FORECAST.air_trend_min_days:
        return level, share * float(days.std()) if len(days) >= 3 else 0.0
    slope, se, _ = line(days)
    sure = slope * max(0.0, 1.0 - (2.0 * se / slope) ** 2) if slope != 0.0 else 0.0
    rest = float((days - slope * np.arange(len(days))).std())
    ahead = FORECAST.trend_ahead_d
    return level + ahead * sure, float(np.hypot(share * rest, ahead * se))


def _driest(ends: Array) -> float:
    """Lowest mean of `present_days`."""
    width = min(24 // FORECAST.span_h * FORECAST.present_days, len(ends))
    return float(np.convolve(ends, np.full(width, 1.0 / width), "valid").min())


def _targets(fit: FirstOrderFit, metric: Metric, base: float) -> Array:
    """The limit above `base` as the probe would read it, over the uncertainty of its level, for each draw.

    A mean over a day that wanders about its course meets the limit before the course does: by about its scatter.
    """
    return base + metric.goal.limit + FORECAST.first_passage * fit.scatter + _level_error(fit, metric)


def _level_error(fit: FirstOrderFit, metric: Metric) -> Array:
    """The constant error of the metric, for each draw."""
    return metric.u * np.resize(normal_draws()[:, Draw.LIMIT], len(fit.now))


def _flat(fit: FirstOrderFit, final: Array, target: Array, stall_share: float) -> Flags:
    """Whether less than `stall_share` of what remains to the target goes in a week on the way to `final`, (draws,)."""
    return (fit.now - final) * -np.expm1(-WEEK_D / fit.tau_d) < stall_share * (fit.now - target)


def air_response_time_to_goal(metric: Metric, kind: LocationKind, stall_share: float) -> TimeToGoal | None:
    """Outlook of an element that follows the air around it; `stall_share` of what remains, a week, is no progress."""
    found = _follow(metric.value, metric, kind)
    if found is None:
        return None
    fit, final = found.fit, found.final
    target = _targets(fit, metric, found.level if metric.over_air else 0.0)
    flat = _flat(fit, final, target, stall_share)
    of_late = metric.goal.limit + (found.week_level if metric.over_air else 0.0) + _level_error(fit, metric)
    held = _flat(fit, found.week, of_late, stall_share) & (found.week - fit.offset >= of_late)
    days = times_to(fit, final, target)
    if not metric.over_air:  # an excess is over the air itself, so a drier air does not help it
        days = np.where(days <= ASSESSMENT.horizon_d, days, times_to(fit, final - found.drop, target))
    end = None if metric.over_air else float(fit.weight @ final)
    return TimeToGoal(days, fit.weight, flat, held, end)


def timber_time_to_goal(metric: Metric, kind: LocationKind, lag_days: float, stall_share: float) -> TimeToGoal | None:
    """Outlook of timber: the air beside it follows the surrounding air, and the timber lags that air.

    How thick it is, how wet it began and what this wood holds is drawn: as nobody knows it, or, where it was measured
    by hand, as the spot readings leave it.
    """
    timber = metric.timber
    found = None if timber is None else _follow(timber.equilibrium, metric, kind)
    if found is None or timber is None:
        return None
    fit = found.fit
    measured = metric.members is not None
    drawn = _Timber.weighed(fit, metric) if measured else _Timber.unmeasured(fit, metric, timber, lag_days)
    level, target, fades = drawn.level, drawn.target, _Fades(fit, drawn.lag_d, drawn.factor * fit.now)
    reached = _TimberCourse.towards(drawn.factor * found.final, level, fades).reached(target)
    # "never" and stalls: timber that dries ends over the table, by which dates go
    over = drawn.drying_factor
    end, now = over * found.week, over * found.final
    flat = _TimberCourse.towards(now, level, fades).hardly_moves(target, stall_share)
    in_week = _TimberCourse.towards(end, level, fades)
    dried, held = in_week.reached(target), in_week.hardly_moves(target, stall_share)
    held &= end - over * fit.offset >= target
    if kind is not LocationKind.SUBFLOOR_VOID:
        own = over * np.maximum(fit.offset, 0.0)  # wet material dries, the ground under a void does not
        dried = np.minimum(dried, _TimberCourse.towards(end - own, level, fades).reached(target))
    if (reached > ASSESSMENT.horizon_d).any():
        in_drier = _TimberCourse.towards(drawn.factor * (found.final - found.drop), level, fades).reached(target)
        reached = np.where(reached <= ASSESSMENT.horizon_d, reached, in_drier)
    weight = _not_there_yet(reached, fit.weight)
    if not weight[reached <= ASSESSMENT.horizon_d].any():
        reached, weight = dried, fit.weight
    return TimeToGoal(reached, weight, flat, held, float(fit.weight @ end), dried > ASSESSMENT.horizon_d)


@dataclass(frozen=True)
class _Timber:
    """Timber of each draw, each (draws,)."""

    lag_d: Array
    level: Array
    """Now. [% of dry mass]"""
    target: Array
    factor: Array
    """What it holds over the table in the days to come. [-]"""
    drying_factor: Array
    """The same where it is asked whether it gets there at all. [-]"""

    @classmethod
    def unmeasured(cls, fit: FirstOrderFit, metric: Metric, timber: TimberEstimate, lag_days: float) -> _Timber:
        """Lag and start as nobody knows them."""
        draws, count = normal_draws(), len(fit.now)
        lags = WOOD.lag_share * lag_days * np.exp(WOOD.lag_log_sd * draws[:, Draw.LAG])
        least = metric.goal.limit + FORECAST.start_over_pct
        starts = least + max(FORECAST.start_most_pct - least, 0.0) * ndtr(draws[:, Draw.START])
        return cls(
            np.resize(lags, count),
            np.resize(_lagged_levels(timber, lags, starts), count),
            metric.goal.limit + timber.u_species * np.resize(draws[:, Draw.LIMIT], count),
            np.ones(count),
            np.full(count, WOOD.desorption),
        )

    @classmethod
    def weighed(cls, fit: FirstOrderFit, metric: Metric) -> _Timber:
        """Members drawn by their weights: each cell of the fit has its own even share of those in order of level."""
        members = metric.members
        assert members is not None
        share = ndtr(normal_draws()[:, Draw.START])
        cells = len(fit.now) // len(share)
        shift = (np.arange(cells) * FORECAST.even_step % 1.0 - share.mean()) / len(share)
        order = np.argsort(members.level, kind="stable")
        wanted = np.cumsum(members.weight[order]).searchsorted((shift[:, None] + share).ravel())
        chosen = order[np.minimum(wanted, len(order) - 1)]
        factor = members.factor[chosen]
        target = np.full(len(chosen), metric.goal.limit)
        return cls(members.lag_d[chosen], members.level[chosen], target, factor, factor)


def _not_there_yet(reached: Array, weight: Array) -> Array:
    """Weights of the draws that are still to come: timber that were at its goal would be said to be at it.

    As they are where hardly any is.
    """
    to_come = np.where(reached > 0.0, weight, 0.0)
    share = float(to_come.sum())
    return to_come / share if share >= FORECAST.min_to_come else weight


class _Fades:
    """How each draw's air and timber come nearer to where they are heading, on the days of a course."""

    def __init__(self, fit: FirstOrderFit, lag: Array, now: Array) -> None:
        daily, apart = FORECAST.course_daily_d, FORECAST.tau_apart_d
        self._days = np.r_[
            np.arange(0.0, daily, 1.0), np.geomspace(daily, FORECAST.course_end_d, FORECAST.course_points)
        ]
        self.now, self.lag = now, lag
        self.tau = np.where(np.abs(fit.tau_d - lag) < apart, lag + 2.0 * apart, fit.tau_d)
        self._air, self._air_of = self._fade(self.tau)
        self._timber, self._timber_of = self._fade(lag)

    def _fade(self, constant_d: Array) -> tuple[Array, NDArray[np.intp]]:
        """exp(-t/τ) for each of the time constants, which many draws share, (constants, days), and which is whose."""
        each, which = np.unique(constant_d, return_inverse=True)
        return np.exp(-self._days / each[:, None]), which

    def on(self, day: int) -> tuple[Array, Array]:
        """What is left on a day of the way of the air and of the timber, each (draws,)."""
        return self._air[self._air_of, day], self._timber[self._timber_of, day]

    def first_under(self, final: Array, ahead: Array, rest: Array, target: Array) -> Array:
        """First day on which final + ahead·air + rest·timber is at the target or under, (draws,); infinite is never."""
        found = np.empty(len(final))
        for begin in range(0, len(final), FORECAST.course_draws):
            its = slice(begin, begin + FORECAST.course_draws)
            course = self._air[self._air_of[its]]
            course *= ahead[its, None]
            course += final[its, None]
            part = self._timber[self._timber_of[its]]
            part *= rest[its, None]
            course += part
            under = course <= target[its, None]
            first = under.argmax(axis=1)
            found[its] = np.where(under[np.arange(len(first)), first], self._days[first], np.inf)
        return found


@dataclass(frozen=True)
class _TimberCourse:
    """Moisture content of timber while its air heads for somewhere, each (draws,).

    M' = (E(t) − M)/lag with E(t) = final + (now − final)·exp(−t/τ).
    """

    fades: _Fades
    final: Array
    ahead: Array
    rest: Array

    @classmethod
    def towards(cls, final: Array, level: Array, fades: _Fades) -> _TimberCourse:
        """The course from `level` on."""
        ahead = (fades.now - final) * fades.tau / (fades.tau - fades.lag)
        return cls(fades, final, ahead, level - final - ahead)

    def reached(self, target: Array) -> Array:
        """Days until it is at its target; infinite is never."""
        return self.fades.first_under(self.final, self.ahead, self.rest, target)

    def hardly_moves(self, target: Array, stall_share: float) -> Flags:
        """Whether less than `stall_share` of what remains goes in the first week."""
        now, later = (
            self.final + self.ahead * air + self.rest * timber for air, timber in map(self.fades.on, (0, WEEK_D))
        )
        return now - later < stall_share * (now - target)


def _lagged_levels(timber: TimberEstimate, lags_d: Array, starts: Array) -> Array:
    """Moisture content now for each lag and start, (draws,). [%]"""
    first = int(np.argmax(np.isfinite(timber.equilibrium)))  # what it did before anything was measured is in its start
    return _carried(starts, _held(timber.equilibrium)[first:], np.exp(-1.0 / (24.0 * lags_d)))


def _carried(level: Array, equilibrium: Array, keep: Array) -> Array:
    """First-order lag of each level (draws,) over the hours of an equilibrium value (n,)."""
    ago = np.arange(len(equilibrium))[::-1]
    return np.asarray((1.0 - keep) * (keep[:, None] ** ago @ equilibrium) + keep ** len(equilibrium) * level)
