"""A job's page and its entry in the list: sentences and rows, ready to be written."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from monitord.model.assessments import Comparison, Flow, LocationAssessment, State, SurfaceRisk
from monitord.model.jobs import AIR_KINDS, Location, LocationKind
from monitord.text.comparisons import comparison_sentence
from monitord.web.queries import JobState
from monitord.web.text.formats import counted, plain, suspect
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import NOT_ASSESSED, StatusStyle, location_label, speaker_of
from monitord.web.views.alert_view import AlertView, need_words
from monitord.web.views.location_view import LocationView


@dataclass(frozen=True)
class CompareRow:
    """A location against one other air."""

    where: str
    location: str
    against: str
    pressure: str
    ratio: str
    words: str
    at: datetime | None


@dataclass(frozen=True)
class SurfaceRow:
    """A cold surface against the air that touches it."""

    where: str
    location: str
    style: StatusStyle
    risk: SurfaceRisk


def lead(state: JobState, alerts: list[AlertView]) -> str:
    """The one sentence that tells whether to go there."""
    if state.pause is not None and not state.ended:
        return f"Nothing is raised while it is paused. {progress(state)}"
    today, week, probes = need_words(alerts)
    needs = []
    if today:
        needs.append(f"{counted(today, 'location')} {'needs' if today == 1 else 'need'} you today")
    if week:
        needs.append(f"{week} this week" if needs else f"{counted(week, 'location')} to look at this week")
    if probes:
        needs.append(f"{counted(probes, 'probe')} to check")
    first = _sentence(", ".join(needs)) if needs else "Nothing needs you now."
    if state.ended and state.job.end is not None:
        first = "This job is over."
    return f"{first} {progress(state)}".strip()


def progress(state: JobState) -> str:
    """How many locations are at their goal and how many are not known."""
    if state.assessment is None:
        return "Nothing has been assessed yet."
    with_goal = [location.id for location in state.job.locations if location.goal is not None]
    states = {location.location: location.state for location in state.locations}
    counts = Counter(states.values())
    at_goal = sum(states.get(location) is State.AT_GOAL for location in with_goal)
    said = []
    if with_goal:
        said.append(f"{at_goal} of {len(with_goal)} {'is' if at_goal == 1 else 'are'} at goal")
    if counts[State.NO_DATA]:
        said.append(f"{counts[State.NO_DATA]} {'is' if counts[State.NO_DATA] == 1 else 'are'} not known")
    return f"{'; '.join(said)}." if said else "No location has a goal."


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def day_words(state: JobState, times: LocalTimes) -> str:
    """`21 of drying`: counted in local days, the first day being 1."""
    end = min(state.now, state.job.end) if state.job.end is not None else state.now
    if end < state.job.start:
        return f"starts {times.day(state.job.start, weekday=True)}"
    days = (end.astimezone(times.zone).date() - state.job.start.astimezone(times.zone).date()).days + 1
    if state.ended:
        return f"{counted(days, 'day')}, {times.span(state.job.start, end)}"
    return f"{days} of drying"


def worst_first(views: list[LocationView]) -> list[LocationView]:
    """Wet elements before airs, the worst first, in the job file's order where they are equal."""
    return sorted(views, key=lambda view: (view.is_air and not view.needs_tile, view.style.rank))


def focus_of(state: JobState, views: list[LocationView], chosen: str | None) -> Location | None:
    """The location that the job page's charts are about: the chosen one, else the worst that is no air."""
    ids = {view.id for view in views}
    if chosen in ids and chosen is not None:
        return state.job.location(chosen)
    ordered = sorted(views, key=lambda view: (view.is_air, view.style.rank))
    # a location that is not known tells nothing in a chart as long as there is another
    ordered.sort(key=lambda view: view.style.tone == "none")
    return state.job.location(ordered[0].id) if ordered else None


def compare_rows(state: JobState, times: LocalTimes, coverage: float, only: str | None = None) -> list[CompareRow]:
    """Every comparison of the assessment, or those of one location."""
    return [
        _compare_row(state, location, comparison, times, coverage)
        for location in state.locations
        if only is None or location.location == only
        for comparison in location.comparisons
    ]


def _compare_row(
    state: JobState, location: LocationAssessment, c: Comparison, times: LocalTimes, coverage: float
) -> CompareRow:
    return CompareRow(
        where=location_label(state.job, location.location),
        location=location.location,
        against=location_label(state.job, c.against),
        pressure=suspect(c.vapour_pressure_difference, coverage),
        ratio=suspect(c.humidity_ratio_difference, coverage),
        words=comparison_sentence(
            speaker_of(times), c, location_label(state.job, location.location), location_label(state.job, c.against)
        ),
        at=c.at,
    )


_SURFACES = {
    "act": StatusStyle("Condensing", "act", "drop", 0),
    "warn": StatusStyle("Near condensation", "watch", "drop", 1),
    "watch": StatusStyle("Humid surface", "go", "watch", 2),
    "none": StatusStyle("Dry surface", "ok", "ok", 3),
}


def surface_rows(state: JobState, only: str | None = None) -> list[SurfaceRow]:
    """Every surface that is known, the nearest to condensation first."""
    rows = [
        SurfaceRow(
            location_label(state.job, p.location), p.location, _SURFACES.get(p.surface.level, NOT_ASSESSED), p.surface
        )
        for p in state.locations
        if p.surface is not None and (only is None or p.location == only)
    ]
    return sorted(rows, key=lambda row: (row.style.rank, row.risk.margin.value))


def airs_words(state: JobState) -> str:
    """What the airs are, and what airing would do: `Room air 21.0 °C, 48 %, 1190 Pa. Outside ...`."""
    said = []
    for location in state.job.locations:
        assessed = state.assessment.at(location.id) if state.assessment is not None else None
        if location.kind not in AIR_KINDS:
            continue
        if assessed is None or assessed.relative_humidity is None or assessed.state is State.NO_DATA:
            said.append(f"{location.label}: not known.")
            continue
        values = (
            plain(assessed.temperature),
            f"{plain(assessed.relative_humidity)} RH",
            plain(assessed.vapour_pressure),
        )
        said.append(f"{location.label} {', '.join(values)}{_airing(location, assessed)}.")
    return " ".join(said)


def _airing(location: Location, assessed: LocationAssessment) -> str:
    if location.kind is not LocationKind.ROOM_AIR:
        return ""
    outdoors = next((c for c in assessed.comparisons if c.role == "outdoors"), None)
    words = {
        Flow.OUT_OF: ": airing would dry it",
        Flow.INTO: ": airing would wet it",
        Flow.NO_CLEAR_DIFFERENCE: ": airing would change little",
    }
    return words.get(outdoors.flow, "") if outdoors is not None else ""
