"""A job's page and its entry in the list: sentences and rows, ready to be written."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from monitord.model.assessments import Comparison, Flow, LocationAssessment, State, SurfaceRisk
from monitord.model.facts import Cause
from monitord.model.jobs import AIR_KINDS, Location
from monitord.text.comparisons import comparison_sentence
from monitord.web.kept import Kept
from monitord.web.queries import JobState
from monitord.web.text.formats import amount, counted
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import NOT_ASSESSED, StatusStyle, english, location_label, speaker_of
from monitord.web.views.location_view import LocationView
from monitord.web.views.needs import Needs


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
    flow: Flow
    depth: bool
    """Whether the other is another depth of the same element."""


@dataclass(frozen=True)
class SurfaceRow:
    """A cold surface against the air that touches it."""

    where: str
    location: str
    style: StatusStyle
    risk: SurfaceRisk


def lead(state: JobState, needs: Needs) -> str:
    """What needs a person and how far the job is, in a line; what can't be reached in this air comes first."""
    if state.ended:
        return f"This job is over. {progress(state)}".strip()
    if state.pause is not None:
        return f"Alerts paused; recording goes on and nobody is warned. {progress(state)}"
    if state.assessment is None:
        return progress(state)
    said = [need_words(needs), out_of_reach(state), progress(state)]
    return " ".join(words for words in said if words)


def page_lead(state: JobState, needs: Needs) -> str:
    """The same above the needs themselves, which are not counted twice."""
    words = lead(state, needs)
    return words.removeprefix(need_words(needs)).strip() if needs.first is not None else words


def need_words(needs: Needs) -> str:
    """`1 location needs you today, 2 more this week.`"""
    today, week = needs.n_today, needs.n_week
    verb = "needs" if (today or week) == 1 else "need"
    if today:
        return f"{counted(today, 'location')} {verb} you today{f', {week} more this week' if week else ''}."
    return f"{counted(week, 'location')} {verb} you this week." if week else "Nothing needs you now."


def out_of_reach(state: JobState) -> str:
    """Which goals can't be reached within a year in this air; empty where all can, or it is not known."""
    goals = {location.id: location.label for location in state.job.locations if location.goal is not None}
    missed = [p for p in state.locations if p.location in goals and _is_out_of_reach(p)]
    fed = [goals[p.location] for p in missed if p.facts.cause is Cause.FED_FROM_BELOW]
    held = [goals[p.location] for p in missed if p.facts.cause is not Cause.FED_FROM_BELOW]
    said = []
    if fed:
        does, its = ("is", "its goal") if len(fed) == 1 else ("are", "their goals")
        said.append(f"{_named(fed)} {does} fed from below and will not reach {its}: find where the water comes from.")
    if held and len(held) == len(goals):
        said.append("In this air no location reaches its goal: dry or warm the air, or agree other goals.")
    elif held:
        its = "its goal" if len(held) == 1 else "their goals"
        said.append(f"In this air {_named(held)} will not reach {its}: dry or warm the air, or agree another goal.")
    return " ".join(said)


def _named(labels: list[str]) -> str:
    return labels[0] if len(labels) == 1 else f"{labels[0]} and {counted(len(labels) - 1, 'more location')}"


def _is_out_of_reach(location: LocationAssessment) -> bool:
    if location.state in (State.NO_DATA, State.AT_GOAL):
        return False
    return location.state is State.OUT_OF_REACH or (location.forecast is not None and location.forecast.never)


def progress(state: JobState) -> str:
    """How many locations are at their goal and how many have no data."""
    if state.assessment is None:
        return "Awaiting first assessment."
    with_goal = [met for location in state.job.locations if (met := state.goals_met(location)) is not None]
    counts = Counter(location.state for location in state.locations)
    at_goal = sum(with_goal)
    said = []
    if with_goal:
        said.append(f"{at_goal} of {len(with_goal)} {'is' if at_goal == 1 else 'are'} at goal")
    if counts[State.NO_DATA]:
        said.append(f"{counts[State.NO_DATA]} {'has' if counts[State.NO_DATA] == 1 else 'have'} no data")
    return f"{'; '.join(said)}." if said else "No location has a goal."


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


_COMPARED: Kept[list[CompareRow]] = Kept(300)


def compare_rows(state: JobState, times: LocalTimes, only: str | None = None) -> list[CompareRow]:
    """Every pair of the assessment once, seen from what is no air; or the comparisons of one location."""
    key, made_of = (state.job.job, only, english().name), (state.job, state.assessment, times.year)
    return _COMPARED.of(key, made_of, lambda: _compared(state, times, only))


def _compared(state: JobState, times: LocalTimes, only: str | None) -> list[CompareRow]:
    airs = {location.id for location in state.job.locations if location.kind in AIR_KINDS}
    rows, seen = [], set()
    for location in sorted(state.locations, key=lambda found: found.location in airs):
        if only is not None and location.location != only:
            continue
        for comparison in location.comparisons:
            pair = frozenset((location.location, comparison.against))
            if only is not None or pair not in seen:
                seen.add(pair)
                rows.append(_compare_row(state, location, comparison, times))
    return rows


def _compare_row(state: JobState, location: LocationAssessment, c: Comparison, times: LocalTimes) -> CompareRow:
    return CompareRow(
        where=location_label(state.job, location.location),
        location=location.location,
        against=location_label(state.job, c.against),
        pressure=amount(c.vapour_pressure_difference),
        ratio=amount(c.humidity_ratio_difference),
        words=comparison_sentence(
            speaker_of(times), c, location_label(state.job, location.location), location_label(state.job, c.against)
        ),
        at=c.at,
        flow=c.flow,
        depth=c.role == "depth",
    )


_SURFACES = {
    "act": StatusStyle("Condensing", "act", "drop", 0),
    "warn": StatusStyle("Near condensation", "watch", "drop", 1),
    "watch": StatusStyle("Humid surface", "go", "watch", 2),
    "none": StatusStyle("No condensation", "ok", "ok", 3),
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
