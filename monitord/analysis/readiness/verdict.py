"""The verdicts of a job: one for each slab it names, and one for each other element that has a goal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime

from monitord.analysis.hourly_results import GoalResults, HourlyResults
from monitord.analysis.readiness import (
    calibration,
    depth,
    equilibration,
    heating,
    held,
    limit,
    position_count,
    probes,
    rewetting,
    service,
    spot_goal,
)
from monitord.analysis.readiness.element import Element
from monitord.analysis.readiness.positions import position_of
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.model.assessments import Forecast
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import AIR_KINDS, Goal, GoalMetric, JobFile, Location
from monitord.model.readiness.criteria import Criteria
from monitord.model.readiness.criteria_files import DRY_TO_GOAL, CriteriaBook
from monitord.model.readiness.slabs import Slab
from monitord.model.readiness.verdict import (
    Criterion,
    CriterionResult,
    Outcome,
    PositionValue,
    Readiness,
    Reason,
    Verdict,
    verdict_of,
)


def assess_readiness(
    job: JobFile,
    hours: HourlyResults,
    goals: Mapping[str, GoalResults],
    book: CriteriaBook,
    options: AnalysisOptions,
) -> tuple[Readiness, ...]:
    """Every verdict that a job asks for, as of the hours' end.

    Depends on what was measured and on clocks only; a forecast never makes anything ready, it only widens `not_before`.
    """
    slabs = [_slab(job, hours, goals, slab, book, options) for slab in job.slabs]
    in_slabs = {location for slab in job.slabs for location in slab.locations}
    asked = [
        location
        for location in job.locations
        if (location.goal is not None or location.spot_goal is not None)
        and location.kind not in AIR_KINDS
        and location.id not in in_slabs
    ]
    elements = [_other(job, hours, goals, location, book[DRY_TO_GOAL], options) for location in asked]
    return (*slabs, *elements)


def _slab(
    job: JobFile,
    hours: HourlyResults,
    goals: Mapping[str, GoalResults],
    slab: Slab,
    book: CriteriaBook,
    options: AnalysisOptions,
) -> Readiness:
    criteria = book.get(slab.criteria)
    if criteria is None or criteria.method.value == "goal":
        return _without_criteria(slab, hours)
    own = slab.covering.limit_pct
    value = own if own is not None else criteria.limit.default_pct
    goal = None
    if value is not None:
        goal = Goal(metric=GoalMetric.EQUILIBRIUM_RH, limit=value, window_h=criteria.limit.mean_h)
    locations = [job.location(i) for i in slab.locations]
    positions = tuple(
        position_of(job, hours, location, goal, criteria, options, _forecast(goals, location, value))
        for location in locations
    )
    guard = slab.guard_factor if slab.guard_factor is not None else criteria.limit.guard_factor
    element = Element(
        job=job,
        id=slab.id,
        slab=slab,
        criteria=criteria,
        positions=positions,
        room=_room(job, hours, slab, locations[0]),
        guard_factor=guard,
        calibration_valid_d=job.calibration_valid_d or options.calibration_valid_d,
        hour_s=hours.hour_s,
    )
    return _judged(element, limit_is_default=own is None and value is not None)


def _other(
    job: JobFile,
    hours: HourlyResults,
    goals: Mapping[str, GoalResults],
    location: Location,
    criteria: Criteria,
    options: AnalysisOptions,
) -> Readiness:
    forecast = goals[location.id].forecast if location.goal is not None else None
    position = position_of(job, hours, location, location.goal, criteria, options, forecast)
    element = Element(
        job=job,
        id=location.id,
        slab=None,
        criteria=criteria,
        positions=(position,),
        room=None,
        guard_factor=criteria.limit.guard_factor,
        calibration_valid_d=job.calibration_valid_d or options.calibration_valid_d,
        hour_s=hours.hour_s,
    )
    return _judged(element, limit_is_default=False)


def _without_criteria(slab: Slab, hours: HourlyResults) -> Readiness:
    """The job names criteria that are not there, or not for slabs: no rule, so no verdict."""
    as_of = utc(hours.hour_s)
    value = PositionValue(location=slab.id, outcome=Outcome.CANNOT_SAY, reason=Reason.CRITERIA_UNKNOWN, earliest=as_of)
    result = CriterionResult(criterion=Criterion.CRITERIA, outcome=Outcome.CANNOT_SAY, positions=(value,))
    return Readiness(
        element=slab.id,
        is_slab=True,
        locations=slab.locations,
        criteria=slab.criteria,
        as_of=as_of,
        verdict=Verdict.CANNOT_SAY,
        results=(result,),
        earliest=as_of,
    )


def _forecast(goals: Mapping[str, GoalResults], location: Location, limit_pct: float | None) -> Forecast | None:
    """The forecast of a position's own goal, where that goal is no lower than the covering's limit.

    Then its low end is a date before which the limit is not met either.
    """
    goal = location.goal
    if goal is None or limit_pct is None or goal.metric is not GoalMetric.EQUILIBRIUM_RH or goal.limit < limit_pct:
        return None
    return goals[location.id].forecast


def _room(job: JobFile, hours: HourlyResults, slab: Slab, first: Location) -> HourlySeries | None:
    room = job.location(slab.room) if slab.room is not None else job.room_of(first)
    return None if room is None else hours.all_series[room.id]


def _results(element: Element) -> Iterator[CriterionResult | None]:
    rules = element.criteria
    yield spot_goal.evaluate(element)
    if element.slab is None and element.positions[0].limit is None:
        return  # a goal by spot readings alone: nothing is asked of a probe
    yield limit.evaluate(element, rules.limit)
    if rules.held is not None:
        yield held.evaluate(element, rules.held)
    if rules.rewetting is not None:
        yield rewetting.evaluate(element, rules.rewetting)
    if rules.equilibration is not None and any(p.sealed for p in element.positions):
        yield equilibration.evaluate(element, rules.equilibration)
    if rules.service is not None:
        yield service.evaluate(element, rules.service)
    if rules.heating is not None:
        yield heating.evaluate(element, rules.heating)
    if rules.positions is not None:
        yield position_count.evaluate(element, rules.positions)
    if rules.depth is not None:
        yield depth.evaluate(element, rules.depth)
    if rules.calibration is not None:
        yield calibration.evaluate(element, rules.calibration)
    if rules.probe is not None:
        yield probes.evaluate(element, rules.probe)


def _judged(element: Element, *, limit_is_default: bool) -> Readiness:
    results = tuple(found for found in _results(element) if found is not None)
    verdict = verdict_of(results)
    earliest = None
    if verdict is not Verdict.READY:
        earliest = max((r.earliest for r in results if r.earliest is not None), default=element.as_of)
    return Readiness(
        element=element.id,
        is_slab=element.slab is not None,
        locations=tuple(position.location.id for position in element.positions),
        criteria=element.criteria.id,
        as_of=element.as_of,
        verdict=verdict,
        results=results,
        limit_is_default=limit_is_default,
        earliest=earliest,
        not_before=_not_before(element, earliest),
    )


def _not_before(element: Element, earliest: datetime | None) -> datetime | None:
    """The latest of the forecasts' low ends, if it is later than the clocks' date."""
    lows = [p.forecast.low for p in element.positions if p.forecast is not None and p.forecast.low is not None]
    return max(lows) if earliest is not None and lows and max(lows) > earliest else None
