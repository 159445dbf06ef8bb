"""The state of an element on its way to its goal, with the reason, the forecast and the findings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from monitord.analysis.drying.metric import Metric, build_metric
from monitord.analysis.drying.progress import Progress, goal_met, progress
from monitord.analysis.forecast.forecast import NEVER_AT, time_to_goal, to_forecast
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.series.hourly_series import Around, HourlySeries
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.posterior.stall_question import SlabStall, StallCause
from monitord.analysis.slabs.posterior.verdict import SleeveVerdict
from monitord.analysis.stall import Stall, judge_stall
from monitord.analysis.words import LOOK_FIRST, WHY, sure_words
from monitord.model.assessments import Drying, Finding, Forecast, Quantity, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal, GoalMetric, Location, LocationKind
from monitord.model.series import HOUR_S

DAY_S = 86_400.0


@dataclass(frozen=True)
class GoalResult:
    """What is held of an element with a goal."""

    state: State
    words: str
    drying: Drying | None
    forecast: Forecast | None
    findings: tuple[Finding, ...]


def judge_goal(
    here: HourlySeries,
    around: Around,
    goal: Goal,
    wet: Finding | None,
    drive_lost: bool,
    settled_s: float,
    hour_s: float,
    options: AnalysisOptions,
) -> GoalResult:
    """Judge an element against its goal as of a full hour."""
    metric = build_metric(here, around, goal, options)
    if metric is None:
        return GoalResult(State.TOO_EARLY, "Nothing to judge by yet.", None, None, ())
    first = int(np.searchsorted(here.hour_s, settled_s))
    shown = progress(here, metric, first)
    if shown.recent is None:
        return GoalResult(
            State.UNKNOWN, "Too little was heard in the last day to judge.", None, None, _unknown(here, hour_s)
        )
    met, met_at = goal_met(metric, options, first)
    wetting = wet is not None and wet.value == 1.0
    view = None if met else time_to_goal(here, metric, options.timber_lag_days)
    stall = judge_stall(here, metric, shown, view, drive_lost, options, first)
    forecast = None if view is None else to_forecast(view, metric, hour_s, stall.reason, shown)
    state, words = _state(metric, shown, met, wetting, stall, view)
    since = utc(float(here.hour_s[0] + HOUR_S * met_at)) if met and met_at is not None else None
    drying = Drying(
        metric=goal.metric.value,
        unit=metric.unit,
        limit=goal.limit,
        value=Quantity(value=shown.value if shown.value is not None else shown.recent, u=metric.u, unit=metric.unit),
        start_value=shown.start,
        rate_per_day=Quantity(value=shown.rate, u=shown.rate_se, unit=f"{metric.unit}/day")
        if np.isfinite(shown.rate_se)
        else None,
        since=since,
        words=words,
    )
    return GoalResult(state, words, drying, forecast, _findings(here, hour_s, metric, shown, met, stall, view))


def _state(
    metric: Metric, shown: Progress, met: bool, wetting: bool, stall: Stall, view: TimeToGoal | None
) -> tuple[State, str]:
    if wetting:
        return State.REWETTING, "Getting wet again beyond what temperature and air explain."
    if met:
        return State.AT_GOAL, f"At goal: {shown.recent:.1f} {metric.unit}, goal {metric.goal.limit:g}."
    if stall.active:
        return State.STALLED, stall.reason
    if shown.days < 3 or view is None:
        return State.TOO_EARLY, "Too early to tell a rate."
    uncertainty = 1.28 * shown.rate_se
    sign = "−" if shown.rate < 0 else "+"
    rate = f"{sign}{abs(shown.rate):.2f} ± {2 * shown.rate_se:.2f} {metric.unit} a day"
    if shown.rate - uncertainty > 0:
        return State.SLOW, f"Not drying now, and no cause found: {rate}."
    if shown.rate + uncertainty >= 0:
        return (State.SLOW if stall.slow else State.DRYING), f"No clear trend yet: {rate}."
    if stall.slow:
        return State.SLOW, f"Slow, by physics and not by fault: {rate}."
    return State.DRYING, f"Drying: {rate}."


def by_posterior(location: Location) -> bool:
    """Whether a location's goal is judged by the ensemble of its slab: a sleeve's own humidity."""
    metrics = (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH)
    sleeve = location.kind is LocationKind.SLAB_SLEEVE
    return sleeve and location.goal is not None and location.goal.metric in metrics


def judge_sleeve(
    here: HourlySeries,
    goal: Goal,
    wet: Finding | None,
    verdict: SleeveVerdict | None,
    caught_up: bool,
    settled_s: float,
    hour_s: float,
    options: AnalysisOptions,
) -> GoalResult:
    """Judge a sleeve against its goal by the verdict on its ensemble as of the newest day.

    Until the ensemble has caught up with the record (after a restart) nothing is known, which holds its alerts.
    """
    if not caught_up:
        words = "Its drying is being worked out anew from the readings; this takes some minutes."
        return GoalResult(State.UNKNOWN, words, None, None, _unknown(here, hour_s))
    metric = build_metric(here, Around(None, None, None), goal, options)
    assert metric is not None  # a sleeve's humidity is its own metric
    shown = progress(here, metric, int(np.searchsorted(here.hour_s, settled_s)))
    if shown.recent is None:
        return GoalResult(
            State.UNKNOWN, "Too little was heard in the last day to judge.", None, None, _unknown(here, hour_s)
        )
    state, words = _sleeve_state(metric, shown, wet, verdict)
    level = None if verdict is None else verdict.level
    drying = Drying(
        metric=goal.metric.value,
        unit=metric.unit,
        limit=goal.limit,
        value=Quantity(value=shown.value if shown.value is not None else shown.recent, u=metric.u, unit=metric.unit),
        start_value=shown.start,
        rate_per_day=None
        if level is None
        else Quantity(value=level.rate_pct_day, u=level.u_rate_pct_day, unit=f"{metric.unit}/day"),
        since=None if verdict is None or verdict.at_goal_since_s is None else utc(verdict.at_goal_since_s),
        words=words,
    )
    if verdict is None:
        return GoalResult(state, words, drying, None, ())
    reason = "" if not verdict.stall.active else _cause_words(verdict.stall, goal.limit)
    readings = int(np.isfinite(metric.value[-24:]).sum())
    said = f"{shown.recent:.1f} ± {2 * metric.u:.1f} {metric.unit}, goal {metric.goal.limit:g}"
    findings = (
        _finding("goal_reached", here, hour_s, float(verdict.at_goal), readings, f"{said}."),
        _finding("drying_stalled", here, hour_s, float(verdict.stall.active), readings, f"{said}. {reason}"),
        _finding("goal_unreachable", here, hour_s, float(verdict.never), readings, f"{said}. {_odds(verdict)}"),
    )
    return GoalResult(state, words, drying, _sleeve_forecast(verdict, hour_s, reason), findings)


def _sleeve_state(
    metric: Metric, shown: Progress, wet: Finding | None, verdict: SleeveVerdict | None
) -> tuple[State, str]:
    if wet is not None and wet.value == 1.0:
        return State.REWETTING, "Getting wet again beyond what temperature and air explain."
    if verdict is None:
        return State.TOO_EARLY, "Too early to tell a rate."
    if verdict.at_goal:
        return State.AT_GOAL, f"At goal: {shown.recent:.1f} {metric.unit}, goal {metric.goal.limit:g}."
    if verdict.stall.active:
        return State.STALLED, _cause_words(verdict.stall, metric.goal.limit)
    rate = f"{verdict.level.rate_pct_day:+.2f} ± {2 * verdict.level.u_rate_pct_day:.2f} {metric.unit} a day".replace(
        "-", "−"
    )
    if verdict.stall.probability >= 0.5:
        return State.SLOW, f"Slow, by physics and not by fault: {rate}."
    return State.DRYING, f"Drying: {rate}."


def _cause_words(stall: SlabStall, limit: float) -> str:
    if stall.cause is StallCause.FED_FROM_BELOW:
        return "Water comes to its far side about as fast as it dries: the slab is fed from below."
    if stall.cause is StallCause.AIR_WETTER:
        return "The air over the slab has become wetter than it was."
    return f"In this air it would end near {stall.end_pct:.0f} % RH; the goal is {limit:g} % RH."


def _odds(verdict: SleeveVerdict) -> str:
    if verdict.never_probability < 0.5:
        return "The air around could still take it to its goal."
    return f"In this air it would not get there ({sure_words(verdict.never_probability)})."


def _sleeve_forecast(verdict: SleeveVerdict, hour_s: float, reason: str) -> Forecast | None:
    """The date of the futures that arrive, with the odds that none does; None at the goal."""
    if verdict.at_goal:
        return None
    date = None if verdict.never else verdict.date

    def at(days: float) -> datetime:
        return utc(max(verdict.as_of_s + DAY_S * days, hour_s))

    return Forecast(
        made_at=utc(hour_s),
        low=None if date is None else at(date.low_d),
        middle=None if date is None else at(date.middle_d),
        high=None if date is None else at(date.high_d),
        never=date is None,
        high_never=date is None,
        reason=reason,
        never_probability=verdict.never_probability,
    )


def _never(probability: float) -> str:
    if probability < NEVER_AT:
        return "The air around could still take it to its goal."
    return f"In this air it would not get there within a year ({sure_words(probability)})."


def _unknown(here: HourlySeries, hour_s: float) -> tuple[Finding, ...]:
    return tuple(
        _finding(kind, here, hour_s, None, 0, "Not known: too little was heard.")
        for kind in ("goal_reached", "drying_stalled", "goal_unreachable")
    )


def _finding(kind: str, here: HourlySeries, hour_s: float, value: float | None, readings: int, summary: str) -> Finding:
    return Finding(
        kind=kind,
        location=here.location.id,
        measured_at=utc(hour_s),
        value=value,
        unit="confidence",
        readings=readings,
        confidence=value,
        summary=f"{here.location.label}: {summary}",
        why=WHY[kind],
        look_first=LOOK_FIRST[kind],
    )


def _findings(
    here: HourlySeries,
    hour_s: float,
    metric: Metric,
    shown: Progress,
    met: bool,
    stall: Stall,
    view: TimeToGoal | None,
) -> tuple[Finding, ...]:
    readings = int(np.isfinite(metric.value[-24:]).sum())
    said = f"{shown.recent:.1f} ± {2 * metric.u:.1f} {metric.unit}, goal {metric.goal.limit:g}"
    never = 0.0 if met or view is None else view.never
    stalled = 1.0 if stall.active and not met else 0.0  # water that comes holds the drying up as well
    return (
        _finding("goal_reached", here, hour_s, 1.0 if met else 0.0, readings, f"{said}."),
        _finding("drying_stalled", here, hour_s, stalled, readings, f"{said}. {stall.reason}"),
        _finding("goal_unreachable", here, hour_s, float(never >= NEVER_AT), readings, f"{said}. {_never(never)}"),
    )
