"""What rests on complete hours, in two rhythms: faults, wetting and drive oftener, goals and forecasts more slowly.

Each view is a pure function of what lies before its full hour, so it does not matter when or how often it is computed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitord.analysis.air.moisture_source import source_of
from monitord.analysis.goals import assess_goal, assess_sleeve, by_posterior
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.probes.quality import (
    PlacementQuality,
    assess_placement,
    fault_finding,
    flags_of,
    without_common_drift,
)
from monitord.analysis.series.co_located import co_located, disagreement_finding, widened
from monitord.analysis.series.hourly_series import (
    HourlySeries,
    Masks,
    ReferenceSeries,
    build_hourly_series,
    is_sleeve,
    placement_key,
)
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.equilibration import Settled, clock_start, settle, settling_facts
from monitord.analysis.slabs.posterior.sleeve_runs import Budget, SleeveRuns
from monitord.analysis.slabs.posterior.verdict import SleeveGoal
from monitord.analysis.stall import naming_equipment
from monitord.analysis.wetting.rewetting import wetting
from monitord.analysis.wetting.room_moisture import less_potential, room_more_humid
from monitord.analysis.wood.timber import timber_spots
from monitord.model.assessments import Drying, Equilibrium, Facts, Finding, Forecast, MoistureSource, QualityFlag, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import NONE, FindingKind, Truth
from monitord.model.jobs import AIR_KINDS, JobFile, Location, LocationKind
from monitord.model.series import HOUR_S, LATE_S, Hourly, JobRecord, PlacementRecord, Series


def until(record: JobRecord, hour_s: float) -> JobRecord:
    """What of a record lies before a full hour; stamps that run ahead of their arrival stay in, for the clock check."""
    return JobRecord(tuple(_placement_until(placement, hour_s) for placement in record.placements))


def _placement_until(placement: PlacementRecord, hour_s: float) -> PlacementRecord:
    hours = int(np.searchsorted(placement.hourly.hour_s, hour_s))
    hourly = placement.hourly
    if hours < len(hourly):
        hourly = Hourly(*(getattr(hourly, name)[:hours] for name in Hourly.__dataclass_fields__))
    recent = placement.recent
    since = hour_s - ASSESSMENT.recent_h * HOUR_S
    late = (recent.received_s >= since) & (recent.received_s - recent.time_s > LATE_S)
    keep = (recent.received_s < hour_s) & ((recent.time_s >= since) | late)
    if not keep.all():
        recent = Series(*(getattr(recent, name)[keep] for name in Series.__dataclass_fields__))
    return PlacementRecord(placement.placement, recent, hourly, placement.last_seen_s)


@dataclass
class HourlyResults:
    """Quality, tracks, wetting and drive, from what lies before a full hour."""

    hour_s: float
    qualities: dict[tuple[str, float], PlacementQuality] = field(default_factory=dict)
    all_series: dict[str, HourlySeries] = field(default_factory=dict)
    flags: dict[str, tuple[QualityFlag, ...]] = field(default_factory=dict)
    clocks: dict[str, float] = field(default_factory=dict)
    """Sleeves: when their clock started. [s]"""
    wet: dict[str, Finding] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    less_potential: dict[str, bool] = field(default_factory=dict)
    """Rooms: whether their drying potential is lost, by people or otherwise."""
    sources: dict[str, MoistureSource | None] = field(default_factory=dict)
    """Where the vapour comes from, of the locations that were asked for: see `source_at`."""

    @property
    def nbytes(self) -> int:
        """Bytes of the arrays."""
        series = sum(one.nbytes for one in self.all_series.values())
        return series + sum(quality.hourly_out.nbytes for quality in self.qualities.values())


@dataclass
class GoalResults:
    """Equilibration, goals and forecasts of one location."""

    state: State = State.RECORDED_ONLY
    facts: Facts = NONE
    equilibrium: Equilibrium | None = None
    drying: Drying | None = None
    forecast: Forecast | None = None
    findings: tuple[Finding, ...] = ()
    pending: bool = False
    """Whether its ensemble has not caught up with the record yet."""


def compute_hourly_results(job: JobFile, record: JobRecord, hour_s: float, options: AnalysisOptions) -> HourlyResults:
    """Judge probes, wetting and drive on what lies before `hour_s` (a full hour)."""
    view, record = HourlyResults(hour_s), until(record, hour_s)
    start = min((s.placement.from_time.timestamp() for s in record.placements), default=hour_s)
    grid_start = float(np.floor(min(start, job.start.timestamp()) / HOUR_S) * HOUR_S)
    airs = [location for location in job.locations if location.kind in AIR_KINDS]
    elements = [location for location in job.locations if location.kind not in AIR_KINDS]
    for group in (airs, elements):  # the airs first: what fell out of an element reads theirs
        _assess_probes(view, job, group, record)
        for location in group:
            _series_location(view, job, location, record, grid_start, options)
    for location in job.locations:
        _assess_events(view, job, location, options)
    for series in view.all_series.values():
        series.forget()
    return view


def _assess_probes(view: HourlyResults, job: JobFile, locations: list[Location], record: JobRecord) -> None:
    """Quality of every placement at some locations."""
    judged: dict[tuple[str, float], PlacementQuality] = {}
    records: dict[tuple[str, float], PlacementRecord] = {}
    for location in locations:
        room = job.room_of(location)
        beside = view.all_series.get(room.id) if room is not None else None
        outdoor = job.outdoor()
        outside = view.all_series.get(outdoor.id) if outdoor is not None else None
        for placement in record.at(location.id):
            judged[placement_key(placement)] = assess_placement(placement, location, beside, job, view.hour_s, outside)
            records[placement_key(placement)] = placement
    view.qualities.update(without_common_drift(judged, records))


def _series_location(
    view: HourlyResults,
    job: JobFile,
    location: Location,
    record: JobRecord,
    grid_start: float,
    options: AnalysisOptions,
) -> None:
    """Flags, fault findings and the track of one location."""
    masks: Masks = {}
    flags: list[QualityFlag] = []
    for placement in record.at(location.id):
        quality = view.qualities[placement_key(placement)]
        masks[placement_key(placement)] = quality.hourly_out
        flags.extend(flags_of(quality, placement, view.hour_s))
        ended = placement.placement.to_time is not None and placement.placement.to_time.timestamp() <= view.hour_s
        finding = None if ended else fault_finding(quality, placement, location, view.hour_s)
        if finding is not None:
            view.findings.append(finding)
    view.flags[location.id] = tuple(flags)
    placements, settling_s = record.at(location.id), options.air_settling_s
    spots = timber_spots(job, location.id, options)
    series = build_hourly_series(
        location, placements, job.calibrations, masks, grid_start, view.hour_s, settling_s, spots
    )
    pair = None
    if len(placements) > 1:
        pair = co_located(location, placements, job.calibrations, masks, view.hour_s, settling_s)
        if pair is not None:
            view.findings.append(disagreement_finding(pair, location, view.hour_s, options.coverage))
    view.all_series[location.id] = widened(series, pair, options.coverage)


def references_of(view: HourlyResults, job: JobFile, location: Location) -> ReferenceSeries:
    """Tracks of the air around a location."""
    room, outdoor = job.room_of(location), job.outdoor()
    air = job.location(location.reference) if location.reference is not None else room
    control = None if location.goal is None or location.goal.control is None else job.location(location.goal.control)
    all_series = [
        None if p is None or p.id == location.id else view.all_series[p.id] for p in (air, room, outdoor, control)
    ]
    return ReferenceSeries(*all_series)


def source_at(view: HourlyResults, job: JobFile, location: Location, options: AnalysisOptions) -> MoistureSource | None:
    """Where a location's vapour comes from, judged once for each view; None where that is not asked of its kind."""
    if location.id not in view.sources:
        references = references_of(view, job, location)
        series = view.all_series[location.id]
        view.sources[location.id] = source_of(series, references.room, references.outdoor, options)
    return view.sources[location.id]


def _assess_events(view: HourlyResults, job: JobFile, location: Location, options: AnalysisOptions) -> None:
    series, references = view.all_series[location.id], references_of(view, job, location)
    if location.kind is LocationKind.ROOM_AIR:
        lost = room_more_humid(series, references.outdoor, view.hour_s, job.equipment_at(location.id))
        if lost is not None:
            view.findings.append(lost)
            measured = lost.truth is not Truth.UNKNOWN
            view.less_potential[location.id] = measured and (lost.holds or less_potential(series, references.outdoor))
    if location.kind in AIR_KINDS or location.kind is LocationKind.SURFACE or not len(series):
        return  # what happens on a surface is condensation
    settled_s = -np.inf
    if is_sleeve(series):
        known = np.flatnonzero(np.isfinite(series.relative_humidity_pct))
        if not len(known):
            return
        sealed = location.sealed_at or location.installed_at
        first_s = float(series.hour_s[known[0]])
        view.clocks[location.id] = clock_start(series, sealed.timestamp() if sealed else first_s, references.room)
        settled_s = view.clocks[location.id] + options.sleeve_clock_h * HOUR_S
    wet = wetting(series, references, view.hour_s, options, settled_s)
    if wet is not None:
        view.findings.append(wet)
        view.wet[location.id] = wet


def assess_goals(
    job: JobFile,
    hours: HourlyResults,
    options: AnalysisOptions,
    sleeve_runs: SleeveRuns | None = None,
    budget: Budget | None = None,
) -> dict[str, GoalResults]:
    """Judge every element on its way to its goal, from the hours' view.

    `sleeve_runs` keeps the sleeves' ensembles between calls and `budget` bounds the work on them; without a bound the
    result is the same with and without what is kept.
    """
    sleeve_runs, budget = sleeve_runs or SleeveRuns(), budget or Budget()
    return {
        location.id: _assess_element(job, hours, location, options, sleeve_runs, budget) for location in job.locations
    }


def _assess_element(
    job: JobFile,
    hours: HourlyResults,
    location: Location,
    options: AnalysisOptions,
    sleeve_runs: SleeveRuns,
    budget: Budget,
) -> GoalResults:
    element, series = GoalResults(), hours.all_series[location.id]
    rewetting = hours.wet.get(location.id)
    settled: Settled | None = None
    findings: list[Finding] = []
    if location.id in hours.clocks:
        settled = settle(series, hours.clocks[location.id], options)
        element.equilibrium = settled.view
        findings.append(_equilibrated_finding(series, settled, hours.hour_s, options))
    if settled is not None and not settled.equilibrated:
        element.facts = settling_facts(series, settled, options)
        element.state = State.SETTLING if element.facts.value is None else State.EQUILIBRATING
    elif location.goal is not None and location.kind not in AIR_KINDS and len(series):
        references = references_of(hours, job, location)
        lost = _room_more_humid(job, hours, location)
        settled_s = settled.clock_s + options.sleeve_clock_h * HOUR_S if settled is not None else -np.inf
        if settled is not None and by_posterior(location):
            goal = location.goal
            held_against = SleeveGoal(
                goal.limit,
                goal.window_h,
                options.stall_share_per_week,
                options.stall_probability,
                options.check_uncertainty_pct,
            )
            sealed = location.sealed_at or location.installed_at
            sealed_s = settled.clock_s if sealed is None else sealed.timestamp()
            verdict, done = sleeve_runs.verdict(series, references, sealed_s, held_against, budget)
            element.pending = not done
            judged = assess_sleeve(series, goal, rewetting, verdict, done, settled_s, hours.hour_s, options)
        else:
            judged = assess_goal(series, references, location.goal, rewetting, lost, settled_s, hours.hour_s, options)
        element.state, element.facts = judged.state, _named(judged.facts, job, location, hours.hour_s)
        element.drying, element.forecast = judged.drying, judged.forecast
        findings.extend(
            found.model_copy(update={"facts": _named(found.facts, job, location, hours.hour_s)})
            for found in judged.findings
        )
    elif rewetting is not None and rewetting.holds:
        element.state, element.facts = State.REWETTING, rewetting.facts
    elif location.goal is not None and location.kind not in AIR_KINDS:
        element.state = State.TOO_EARLY  # nothing recorded by the last assessment of goals
    element.findings = tuple(findings)
    return element


def _named(facts: Facts, job: JobFile, location: Location, hour_s: float) -> Facts:
    return naming_equipment(facts, job, location, utc(hour_s))


def _room_more_humid(job: JobFile, hours: HourlyResults, location: Location) -> bool:
    room = job.room_of(location)
    return room is not None and hours.less_potential.get(room.id, False)


def _equilibrated_finding(series: HourlySeries, settled: Settled, hour_s: float, options: AnalysisOptions) -> Finding:
    return Finding(
        kind=FindingKind.EQUILIBRATED,
        location=series.location.id,
        measured_at=utc(hour_s),
        truth=Truth.of(settled.equilibrated),
        readings=1,
        facts=settling_facts(series, settled, options),
    )
