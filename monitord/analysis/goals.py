"""State, forecast and findings of a location with a goal."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from monitord.analysis.drying.metric import Metric, build_metric
from monitord.analysis.drying.progress import Progress, goal_met, goal_met_lately, progress
from monitord.analysis.forecast.forecast import time_to_goal, to_forecast
from monitord.analysis.forecast.parameters import FORECAST
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.series.times import DAY_S, utc
from monitord.analysis.slabs.posterior.queries.stall import SlabStall, StallCause
from monitord.analysis.slabs.posterior.verdict import SleeveVerdict
from monitord.analysis.stall import Stall, assess_stall, end_in_air
from monitord.model.assessments import Drying, Facts, Finding, Forecast, Quantity, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import NONE, Cause, FindingKind, Material, Truth
from monitord.model.jobs import Goal, GoalMetric, Location, LocationKind
from monitord.model.series import HOUR_S

_KINDS = (FindingKind.GOAL_REACHED, FindingKind.DRYING_STALLED, FindingKind.GOAL_UNREACHABLE)


@dataclass(frozen=True)
class GoalResult:
    """The result of assessing a location against its goal."""

    state: State
    facts: Facts
    drying: Drying | None
    forecast: Forecast | None
    findings: tuple[Finding, ...]


def assess_goal(
    series: HourlySeries,
    references: ReferenceSeries,
    goal: Goal,
    rewetting: Finding | None,
    room_more_humid: bool,
    settled_s: float,
    hour_s: float,
    options: AnalysisOptions,
) -> GoalResult:
    """Assess a location against its goal as of a full hour."""
    metric = build_metric(series, references, goal, options)
    if metric is None:
        return GoalResult(State.TOO_EARLY, NONE, None, None, ())
    first = int(np.searchsorted(series.hour_s, settled_s))
    shown = progress(series, metric, first)
    if shown.recent is None:
        facts = Facts(count=int(np.isfinite(metric.value[-24:]).sum()))
        return GoalResult(State.NO_DATA, facts, None, None, _unknown(series, hour_s))
    met, met_at = goal_met(metric, options, first)
    view = None if met else time_to_goal(series, metric, options)
    stall = assess_stall(series, metric, shown, view, room_more_humid, options, first)
    wet_again = rewetting is not None and rewetting.holds
    if stall.active and not wet_again and goal_met_lately(metric, options, first):
        stall = replace(stall, told=False)
    known = _known(series, metric, shown)
    forecast = None if view is None else to_forecast(view, metric, hour_s, shown)
    if forecast is not None and forecast.never and (known.recorded_d or 0.0) < FORECAST.never_first_days:
        forecast = None
    if met and met_at is not None:
        known = known.model_copy(update={"since": utc(float(series.hour_s[0] + HOUR_S * met_at))})
    state, facts = _state(metric, shown, met, rewetting, stall, view, forecast, known)
    drying = Drying(
        metric=goal.metric.value,
        unit=metric.unit,
        limit=goal.limit,
        value=known.value,
        start_value=shown.start,
        rate_per_day=known.rate,
        since=known.since if met else None,
    )
    return GoalResult(
        state, facts, drying, forecast, _findings(series, hour_s, metric, met, stall, view, forecast, known)
    )


def _known(series: HourlySeries, metric: Metric, shown: Progress) -> Facts:
    """The facts of every state: value, goal, rate, and length of the record."""
    level = shown.value if shown.value is not None else shown.recent
    assert level is not None
    first_s = float(series.hour_s[np.flatnonzero(np.isfinite(metric.value))[0]])
    rate = Quantity(value=shown.rate, u=shown.rate_se, unit=f"{metric.unit}/day")
    return Facts(
        value=Quantity(value=level, u=metric.u_value, unit=metric.unit),
        goal=Quantity(value=metric.goal.limit, unit=metric.unit),
        rate=rate if np.isfinite(shown.rate_se) else None,
        recorded_d=(series.end_s - first_s) / DAY_S,
        start=utc(first_s + ASSESSMENT.rate_min_days * DAY_S),
    )


_ALWAYS = ("value", "goal")


def _only(facts: Facts, *names: str, **more: object) -> Facts:
    """Value, goal and the named facts: a state carries only the facts that its sentence can say."""
    kept = {name: getattr(facts, name) for name in (*_ALWAYS, *names)}
    return Facts.model_validate({**kept, **more})


def _state(
    metric: Metric,
    shown: Progress,
    met: bool,
    rewetting: Finding | None,
    stall: Stall,
    view: TimeToGoal | None,
    forecast: Forecast | None,
    known: Facts,
) -> tuple[State, Facts]:
    """The first state that fits, and the facts of its sentence."""
    since = None if stall.since_s is None else utc(stall.since_s)
    if rewetting is not None and rewetting.holds:
        return State.REWETTING, rewetting.facts.model_copy(update={"goal": known.goal})
    if met:
        return State.AT_GOAL, _only(known, "since")
    if stall.active:
        return State.STALLED, _only(known, since=since, cause=stall.cause, end=stall.end)
    if shown.days < ASSESSMENT.rate_min_days or view is None:
        return State.TOO_EARLY, _only(known, "recorded_d", "start")
    if forecast is not None and forecast.never:
        return State.OUT_OF_REACH, _only(known, never=True, end=end_in_air(metric, view))
    low, middle, high = (None, None, None) if forecast is None else (forecast.low, forecast.middle, forecast.high)
    uncertainty = ASSESSMENT.rate_coverage * shown.rate_se
    if shown.rate - uncertainty > 0:
        return State.NOT_DRYING, _only(known, "rate")
    if shown.rate + uncertainty >= 0:
        return State.NO_CLEAR_TREND, _only(known, "rate", low=low, middle=middle, high=high, material=_material(metric))
    facts = _only(known, "rate", low=low, middle=middle, high=high)
    if stall.slow:
        return State.DRYING_SLOWLY, facts.model_copy(update={"material": _material(metric)})
    return State.DRYING, facts


def by_posterior(location: Location) -> bool:
    """Whether a goal is assessed by the ensemble of the slab: one in the sleeve's own humidity."""
    metrics = (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH)
    sleeve = location.kind is LocationKind.SLAB_SLEEVE
    return sleeve and location.goal is not None and location.goal.metric in metrics


def assess_sleeve(
    series: HourlySeries,
    goal: Goal,
    rewetting: Finding | None,
    verdict: SleeveVerdict | None,
    caught_up: bool,
    settled_s: float,
    hour_s: float,
    options: AnalysisOptions,
) -> GoalResult:
    """Assess a sleeve against its goal by its ensemble's verdict as of the newest day.

    Until the ensemble has caught up with the record (after a restart) its findings are unknown, which holds its alerts.
    """
    metric = build_metric(series, ReferenceSeries(None, None, None), goal, options)
    assert metric is not None  # a sleeve's humidity is its own metric
    shown = progress(series, metric, int(np.searchsorted(series.hour_s, settled_s)))
    if shown.recent is None:
        facts = Facts(count=int(np.isfinite(metric.value[-24:]).sum()))
        return GoalResult(State.NO_DATA, facts, None, None, _unknown(series, hour_s))
    known = _sleeve_known(series, metric, shown, verdict)
    if not caught_up:
        facts = _only(known, being_computed=True)
        return GoalResult(State.TOO_EARLY, facts, None, None, _unknown(series, hour_s))
    drying = Drying(
        metric=goal.metric.value,
        unit=metric.unit,
        limit=goal.limit,
        value=known.value,
        start_value=shown.start,
        rate_per_day=known.rate,
        since=known.since,
    )
    if verdict is None:
        facts = _only(known, "recorded_d", "start")
        return GoalResult(
            _state_or_rewetting(State.TOO_EARLY, rewetting), _facts_or_rewetting(facts, rewetting), drying, None, ()
        )
    forecast = _sleeve_forecast(verdict, hour_s)
    state, facts = _sleeve_state(rewetting, verdict, forecast, known)
    gain = _gain_facts(verdict, options)
    if state is not State.REWETTING:
        facts = facts.model_copy(update=gain)
    return GoalResult(state, facts, drying, forecast, _sleeve_findings(series, hour_s, metric, verdict, known, gain))


def _gain_facts(verdict: SleeveVerdict, options: AnalysisOptions) -> dict[str, object]:
    """What a calibration check of the probe would decide or narrow; empty where it is too little."""
    gain = verdict.gain
    if gain is None:
        return {}
    check = Quantity(value=2.0 * options.check_uncertainty_pct, unit="% RH")
    if verdict.goal_probability >= ASSESSMENT.check_open_goal and gain.settles_probability >= ASSESSMENT.check_settles:
        return {"check": check, "check_settles": gain.settles_probability}
    narrowed = gain.checked_interval_d <= ASSESSMENT.check_max_share * gain.interval_d
    if verdict.date is None or gain.interval_d < ASSESSMENT.check_min_span_d or not narrowed:
        return {}
    return {
        "check": check,
        "date_span_s": DAY_S * gain.interval_d,
        "checked_span_s": DAY_S * gain.checked_interval_d,
    }


def _state_or_rewetting(state: State, rewetting: Finding | None) -> State:
    return State.REWETTING if rewetting is not None and rewetting.holds else state


def _facts_or_rewetting(facts: Facts, rewetting: Finding | None) -> Facts:
    """The facts of the re-wetting where it holds; else those given."""
    return (
        facts if rewetting is None or not rewetting.holds else rewetting.facts.model_copy(update={"goal": facts.goal})
    )


def _sleeve_known(series: HourlySeries, metric: Metric, shown: Progress, verdict: SleeveVerdict | None) -> Facts:
    """The facts of every state of a sleeve; its rate is that of the ensemble."""
    level = None if verdict is None else verdict.level
    rate = None
    if level is not None:
        rate = Quantity(value=level.rate_pct_day, u=level.u_rate_pct_day, unit=f"{metric.unit}/day")
    since_s = None if verdict is None else verdict.at_goal_since_s
    since = None if since_s is None else utc(since_s)
    return _known(series, metric, shown).model_copy(update={"rate": rate, "since": since})


def _sleeve_state(
    rewetting: Finding | None, verdict: SleeveVerdict, forecast: Forecast | None, known: Facts
) -> tuple[State, Facts]:
    """The first state that fits, and the facts of its sentence."""
    if rewetting is not None and rewetting.holds:
        return State.REWETTING, _facts_or_rewetting(known, rewetting)
    if verdict.at_goal or forecast is None:
        return State.AT_GOAL, _only(known, "since")
    if verdict.stall.active:
        return State.STALLED, _only(known, **_stall_facts(verdict.stall, known))
    if forecast.never:
        return State.OUT_OF_REACH, _only(known, **_never_facts(verdict.stall, known))
    perhaps_never = verdict.never_probability >= ASSESSMENT.perhaps_never
    dates = {"low": forecast.low, "middle": forecast.middle, "high": None if perhaps_never else forecast.high}
    rate, u = verdict.level.rate_pct_day, ASSESSMENT.rate_coverage * verdict.level.u_rate_pct_day
    if rate - u > 0.0:
        return State.NOT_DRYING, _only(known, "rate")
    if rate + u >= 0.0:
        return State.NO_CLEAR_TREND, _only(known, "rate", **dates)
    if verdict.stall.probability >= ASSESSMENT.more_likely:
        return State.DRYING_SLOWLY, _only(known, "rate", material=Material.CONCRETE, **dates)
    return State.DRYING, _only(known, "rate", **dates)


_CAUSES = {
    StallCause.FED_FROM_BELOW: Cause.FED_FROM_BELOW,
    StallCause.AIR_WETTER: Cause.ROOM_MORE_HUMID,
    StallCause.END_OVER_LIMIT: Cause.AIR_HOLDS,
}


def _stall_facts(stall: SlabStall, known: Facts) -> dict[str, object]:
    cause = None if stall.cause is None else _CAUSES[stall.cause]
    since = None if stall.since_s is None else utc(stall.since_s)
    return {"since": since, "cause": cause, "end": _sleeve_end(stall, known)}


def _never_facts(stall: SlabStall, known: Facts) -> dict[str, object]:
    """Water from below is named: no air would then bring the slab to its goal."""
    fed = Cause.FED_FROM_BELOW if stall.cause is StallCause.FED_FROM_BELOW else None
    return {"never": True, "cause": fed, "end": _sleeve_end(stall, known)}


def _sleeve_end(stall: SlabStall, known: Facts) -> Quantity | None:
    """Level at which the futures above the goal end; None where, rounded to 1 % RH, it is not above the goal."""
    limit = known.goal.value if known.goal is not None else 0.0
    if not np.isfinite(stall.end_pct) or round(stall.end_pct) <= limit:
        return None
    return Quantity(value=stall.end_pct, unit="% RH")


def _sleeve_findings(
    series: HourlySeries, hour_s: float, metric: Metric, verdict: SleeveVerdict, known: Facts, gain: dict[str, object]
) -> tuple[Finding, ...]:
    readings = int(np.isfinite(metric.value[-24:]).sum())
    stalled, never = _stall_facts(verdict.stall, known), _never_facts(verdict.stall, known)
    findings = (
        (FindingKind.GOAL_REACHED, verdict.at_goal, _only(known, "since")),
        (FindingKind.DRYING_STALLED, verdict.stall.active, _only(known, **stalled, **gain)),
        (FindingKind.GOAL_UNREACHABLE, verdict.never, _only(known, **never | {"never": verdict.never}, **gain)),
    )
    return tuple(_finding(kind, series, hour_s, Truth.of(holds), readings, facts) for kind, holds, facts in findings)


def _sleeve_forecast(verdict: SleeveVerdict, hour_s: float) -> Forecast | None:
    """Date interval of the futures that reach the goal, and the probability of never; None at the goal."""
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
        never_probability=verdict.never_probability,
    )


def _material(metric: Metric) -> Material | None:
    """Material named in the sentence of slow drying, where known."""
    return Material.TIMBER if metric.timber is not None else None


def _unknown(series: HourlySeries, hour_s: float) -> tuple[Finding, ...]:
    return tuple(_finding(kind, series, hour_s, Truth.UNKNOWN, 0, NONE) for kind in _KINDS)


def _finding(
    kind: FindingKind, series: HourlySeries, hour_s: float, truth: Truth, readings: int, facts: Facts
) -> Finding:
    return Finding(
        kind=kind, location=series.location.id, measured_at=utc(hour_s), truth=truth, readings=readings, facts=facts
    )


def _findings(
    series: HourlySeries,
    hour_s: float,
    metric: Metric,
    met: bool,
    stall: Stall,
    view: TimeToGoal | None,
    forecast: Forecast | None,
    known: Facts,
) -> tuple[Finding, ...]:
    readings = int(np.isfinite(metric.value[-24:]).sum())
    since = None if stall.since_s is None else utc(stall.since_s)
    never = forecast is not None and forecast.never
    end = None if view is None else end_in_air(metric, view)
    stalled = stall.active and stall.told and not met  # new water stops progress as well
    findings = (
        (FindingKind.GOAL_REACHED, met, _only(known, "since")),
        (FindingKind.DRYING_STALLED, stalled, _only(known, since=since, cause=stall.cause, end=stall.end)),
        (FindingKind.GOAL_UNREACHABLE, never, _only(known, never=never, end=end)),
    )
    return tuple(_finding(kind, series, hour_s, Truth.of(holds), readings, facts) for kind, holds, facts in findings)
