"""The state of an element on its way to its goal, with the reason, the forecast and the findings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.drying.metric import Metric, build_metric
from monitord.analysis.drying.progress import Progress, goal_met, progress
from monitord.analysis.forecast.forecast import NEVER_AT, time_to_goal, to_forecast
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.series.hourly_series import Around, HourlySeries, is_sleeve
from monitord.analysis.series.times import utc
from monitord.analysis.stall import Stall, judge_stall
from monitord.analysis.words import LOOK_FIRST, WHY, sure_words
from monitord.model.assessments import Drying, Finding, Forecast, Quantity, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal
from monitord.model.series import HOUR_S


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
    view = None if met else time_to_goal(here, metric, shown, first, options.timber_lag_days)
    stall = judge_stall(here, metric, shown, view, drive_lost, options, first)
    pace = None if is_sleeve(here) else shown
    forecast = None if view is None else to_forecast(view, metric, hour_s, stall.reason, pace)
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
