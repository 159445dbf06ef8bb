"""Everything that rests on complete hours: quality, tracks, equilibration, drying, wetting, forecast.

Computed for the last full hour before the time of assessment, so that it changes once an hour and no oftener.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitord.analysis.comparison import utc
from monitord.analysis.drive import drive_lost
from monitord.analysis.equilibration import Settled, settle
from monitord.analysis.goals import judge_goal
from monitord.analysis.metric import Around, is_sleeve
from monitord.analysis.quality import StayQuality, fault_finding, flags_of, judge_stay
from monitord.analysis.track import Masks, Track, build_track, stay_key
from monitord.analysis.wetting import wetting
from monitord.analysis.words import LOOK_FIRST, WHY
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import Drying, Equilibrium, Finding, Forecast, QualityFlag, State
from monitord.model.jobs import AIR_KINDS, JobFile, Location, LocationKind
from monitord.model.series import HOUR_S, JobRecord


@dataclass
class ElementView:
    """What complete hours say of one location."""

    state: State = State.WATCHED
    words: str = "Measured."
    equilibrium: Equilibrium | None = None
    drying: Drying | None = None
    forecast: Forecast | None = None
    flags: tuple[QualityFlag, ...] = ()


@dataclass
class HourView:
    """What complete hours say of a job."""

    hour_s: float
    qualities: dict[tuple[str, float], StayQuality] = field(default_factory=dict)
    tracks: dict[str, Track] = field(default_factory=dict)
    elements: dict[str, ElementView] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def view_hours(job: JobFile, record: JobRecord, hour_s: float, options: AnalysisOptions) -> HourView:
    """Judge a job on its hours before `hour_s` (a full hour)."""
    view = HourView(hour_s)
    start = min((s.placement.from_time.timestamp() for s in record.stays), default=hour_s)
    grid_start = np.floor(min(start, job.start.timestamp()) / HOUR_S) * HOUR_S
    ordered = sorted(job.locations, key=lambda place: place.kind not in AIR_KINDS)
    for place in ordered:
        room = job.room_of(place)
        _judge_place(view, job, place, record, room, float(grid_start), options)
    for place in job.locations:
        view.elements[place.id] = _element(view, job, place, record, options)
    return view


def _judge_place(
    view: HourView,
    job: JobFile,
    place: Location,
    record: JobRecord,
    room: Location | None,
    grid_start: float,
    options: AnalysisOptions,
) -> None:
    """Quality and track of one location; rooms come first, for what fell out of an element reads their air."""
    masks: Masks = {}
    for stay in record.at(place.id):
        beside = view.tracks.get(room.id) if room is not None else None
        quality = judge_stay(stay, place, beside, job, view.hour_s)
        view.qualities[stay_key(stay)] = quality
        masks[stay_key(stay)] = quality.hourly_out
        ended = stay.placement.to_time is not None and stay.placement.to_time.timestamp() <= view.hour_s
        finding = None if ended else fault_finding(quality, stay, place, view.hour_s)
        if finding is not None:
            view.findings.append(finding)
    view.tracks[place.id] = build_track(
        place, record.at(place.id), job.calibrations, masks, grid_start, view.hour_s, options.air_settling_s
    )


def _around(view: HourView, job: JobFile, place: Location) -> Around:
    room, outdoor = job.room_of(place), job.outdoor()
    air = job.location(place.reference) if place.reference is not None else room
    tracks = [None if p is None or p.id == place.id else view.tracks[p.id] for p in (air, room, outdoor)]
    return Around(*tracks)


def _element(view: HourView, job: JobFile, place: Location, record: JobRecord, options: AnalysisOptions) -> ElementView:
    element, here = ElementView(), view.tracks[place.id]
    flags: list[QualityFlag] = []
    for stay in record.at(place.id):
        flags.extend(flags_of(view.qualities[stay_key(stay)], stay, view.hour_s))
    element.flags = tuple(flags)
    around = _around(view, job, place)
    if place.kind is LocationKind.ROOM_AIR:
        lost = drive_lost(here, around.outdoor, view.hour_s, options)
        if lost is not None:
            view.findings.append(lost)
    if place.kind in AIR_KINDS or not len(here):
        return element
    settled = _settled(here, around, options)
    wet = wetting(here, around, view.hour_s, options) if settled is None or settled.equilibrated else None
    if wet is not None:
        view.findings.append(wet)
    if settled is not None:
        element.equilibrium = settled.view
        view.findings.append(_equilibrated_finding(here, settled, view.hour_s))
        if not settled.equilibrated:
            early = settled.view.state == "settling"
            element.state = State.SETTLING if early else State.EQUILIBRATING
            element.words = settled.view.words
            return element
    if place.goal is not None:
        judged = judge_goal(here, around, place.goal, settled, wet, view.hour_s, options)
        element.state, element.words = judged.state, judged.words
        element.drying, element.forecast = judged.drying, judged.forecast
        view.findings.extend(judged.findings)
    elif wet is not None and wet.value == 1.0:
        element.state, element.words = State.REWETTING, wet.summary
    return element


def _settled(here: Track, around: Around, options: AnalysisOptions) -> Settled | None:
    place = here.location
    if not is_sleeve(here):
        return None
    known = np.flatnonzero(np.isfinite(here.relative_humidity_pct))
    if not len(known):
        return None
    heard = float(here.hour_s[known[0]])
    sealed = place.sealed_at or place.installed_at
    return settle(here, sealed.timestamp() if sealed is not None else heard, around.room, options)


def _equilibrated_finding(here: Track, settled: Settled, hour_s: float) -> Finding:

    return Finding(
        kind="equilibrated",
        location=here.location.id,
        measured_at=utc(hour_s),
        value=1.0 if settled.equilibrated else 0.0,
        unit="confidence",
        readings=1,
        summary=f"{here.location.label}: {settled.view.words}",
        why=WHY["equilibrated"],
        look_first=LOOK_FIRST["equilibrated"],
    )
