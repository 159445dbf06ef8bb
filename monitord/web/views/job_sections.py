"""What stands on a job's folded sheets while they are closed: each gives its answer in a line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitord.alerts.messages.alert_speaker import place_of
from monitord.model.alerts import Alert
from monitord.model.assessments import Flow
from monitord.model.damage import Ventilation, VentilationEffect
from monitord.model.jobs import JobFile
from monitord.model.readiness.verdict import Verdict
from monitord.model.site.plan import PER_MILLE, Plan
from monitord.store.notes import Picture
from monitord.text.alert_texts import TEXTS
from monitord.text.alerts import cut
from monitord.web.queries import JobState
from monitord.web.text.formats import amount, counted
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import StatusStyle
from monitord.web.views import damage_view
from monitord.web.views.job_view import CompareRow, SurfaceRow
from monitord.web.views.location_view import LocationView
from monitord.web.views.needs import lowered

MOST_TILES = 12
"""More tiles than that fold away on a job's page; those that need a person stand first. Our choice."""
_MOST_EVENTS = 40


@dataclass(frozen=True)
class VentilationRow:
    """Whether to open the windows of one room: the advice, then the numbers behind it."""

    room: str
    advice: str
    drier: str
    carries: str
    last_day: str
    words: str


@dataclass(frozen=True)
class TimelineRow:
    """One thing that happened in a job."""

    at: datetime
    what: str
    where: str


_ADVICE = {
    VentilationEffect.DRIES: "Yes: the outdoor air is drier.",
    VentilationEffect.WETS: "No: keep them shut, the outdoor air is more humid.",
    VentilationEffect.NO_CLEAR_DIFFERENCE: "It would change little.",
    VentilationEffect.UNKNOWN: "Not known: room and outdoor air have to be measured.",
}
_COLD = "Not now: it would condense on {place}."
_LIKELY = 0.5


def tiles_of(views: Sequence[LocationView]) -> tuple[list[LocationView], list[LocationView]]:
    """The tiles that stand open and those that are folded away: with many, what goes well is folded."""
    tiles = [view for view in views if view.needs_tile]
    if len(tiles) <= MOST_TILES:
        return tiles, []
    pressing = [view for view in tiles if view.style.tone in ("act", "watch") or view.style.icon == "q"]
    shown = pressing[:MOST_TILES] if len(pressing) > MOST_TILES else tiles[: max(len(pressing), MOST_TILES // 2)]
    kept = {view.id for view in shown}
    return shown, [view for view in tiles if view.id not in kept]


def tally(views: Iterable[LocationView]) -> str:
    """`10 At goal, 8 Drying`."""
    counts = Counter(view.style.word for view in views)
    return ", ".join(f"{n} {word[:1].lower() + word[1:]}" for word, n in counts.most_common())


@dataclass(frozen=True)
class PlanMark:
    """A location on the plan, in the drawing's units."""

    id: str
    label: str
    name: str
    style: StatusStyle
    x: int
    y: int
    after: bool
    """Whether its name stands to the right of it."""


@dataclass(frozen=True)
class PlanView:
    """The plan as it is drawn: `WIDTH` units wide."""

    digest: str
    width: int
    height: int
    """Of the picture. [px]"""
    tall: int
    """Height in the drawing's units."""
    marks: tuple[PlanMark, ...]
    said: str
    """What stands on its sheet while that is closed."""


PLAN_WIDTH = 1000
_NAME_AFTER, _NAME_LETTERS = 600, 18
"""How far across a point may be for its name to stand to the right of it, and the letters of that (our choice)."""


def plan_view(plan: Plan | None, pictures: Iterable[Picture], views: Sequence[LocationView]) -> PlanView | None:
    """The plan with the state of each location on it; None where there is none, or its picture is not here."""
    picture = None if plan is None else next((one for one in pictures if one.digest == plan.photo), None)
    if plan is None or picture is None:
        return None
    tall, by_id = round(PLAN_WIDTH * picture.height / picture.width), {view.id: view for view in views}
    marks = [
        PlanMark(
            id=point.location,
            label=by_id[point.location].label,
            name=cut(by_id[point.location].name, _NAME_LETTERS),
            style=by_id[point.location].style,
            x=round(PLAN_WIDTH * point.x / PER_MILLE),
            y=round(tall * point.y / PER_MILLE),
            after=point.x <= _NAME_AFTER,
        )
        for point in plan.points
        if point.location in by_id
    ]
    said = f"{len(marks)} of {counted(len(views), 'location')} on it."
    return PlanView(picture.digest, picture.width, picture.height, tall, tuple(marks), said)


def ways_said(rows: Sequence[CompareRow]) -> str:
    """Which way vapour goes, for a closed sheet."""
    flows = Counter(row.flow for row in rows if not row.depth)
    inward = [row.where for row in rows if row.flow is Flow.INTO and not row.depth]
    said = []
    if flows[Flow.OUT_OF]:
        said.append(f"out of the location in {flows[Flow.OUT_OF]} of {sum(flows.values())} pairs")
    if inward:
        said.append(f"into {inward[0]}" + (f" and {len(inward) - 1} more" if len(inward) > 1 else ""))
    if flows[Flow.NO_CLEAR_DIFFERENCE]:
        said.append(f"no clear difference in {flows[Flow.NO_CLEAR_DIFFERENCE]}")
    text = ", ".join(said) or "not known"
    return f"{text[:1].upper()}{text[1:]}."


def ventilation_rows(state: JobState, times: LocalTimes) -> list[VentilationRow]:
    """The advice for each room whose air and the outdoor air are measured."""
    names = {location.id: location.label for location in state.job.locations}
    advice = state.assessment.ventilation if state.assessment is not None else ()
    known = [one for one in advice if one.room in names]
    told = damage_view.ventilation_said(state, times)
    return [_ventilation_row(one, names, row.words) for one, row in zip(known, told, strict=True)]


def _ventilation_row(one: Ventilation, names: dict[str, str], words: str) -> VentilationRow:
    advice = _ADVICE[one.effect]
    if (
        one.effect is VentilationEffect.DRIES
        and one.condenses_on in names
        and (one.condenses_probability or 0.0) > _LIKELY
    ):
        advice = _COLD.format(place=names[one.condenses_on])
    share = "not known" if one.day_share is None else f"{100 * one.day_share:.0f} % of the hours drier outdoors"
    return VentilationRow(
        room=names[one.room],
        advice=advice,
        drier=amount(one.difference),
        carries=amount(one.water),
        last_day=share,
        words=words,
    )


def ventilation_said(rows: Sequence[VentilationRow]) -> str:
    """The advice, for a closed sheet."""
    if len(rows) == 1:
        return rows[0].advice
    yes = [row.room for row in rows if row.advice == _ADVICE[VentilationEffect.DRIES]]
    if not yes:
        return "In no room now."
    return f"Yes, in {yes[0]}" + (f" and {counted(len(yes) - 1, 'more room')}." if len(yes) > 1 else ".")


def surfaces_said(rows: Sequence[SurfaceRow]) -> str:
    """The coldest surface against its dew point, for a closed sheet."""
    worst = rows[0]
    return f"{worst.style.word}: {worst.where}." if worst.style.tone != "ok" else "No condensation on any."


def timeline(job: JobFile, alerts: Iterable[Alert], now: datetime) -> list[TimelineRow]:
    """What happened in a job, the newest first: probes, checks, sleeves, alerts."""
    labels = {location.id: location.label for location in job.locations}
    rows = [TimelineRow(job.start, "job started", "")]
    for placement in job.probes:
        where = labels[placement.location_id]
        rows.append(TimelineRow(placement.from_time, f"probe {placement.probe} placed", where))
        if placement.to_time is not None:
            rows.append(TimelineRow(placement.to_time, f"probe {placement.probe} removed", where))
    rows += [TimelineRow(check.at, f"probe {check.probe} checked", "") for check in job.calibrations]
    rows += [TimelineRow(at.sealed_at, "sleeve sealed", at.label) for at in job.locations if at.sealed_at is not None]
    for item in job.equipment:
        rows.append(TimelineRow(item.from_time, f"{item.label} set up", labels[item.location_id]))
        if item.to_time is not None:
            rows.append(TimelineRow(item.to_time, f"{item.label} taken out", labels[item.location_id]))
    for alert in alerts:
        name = lowered(TEXTS[alert.kind].words)
        if alert.opened_at is not None:
            rows.append(TimelineRow(alert.opened_at, f"alert opened: {name}", place_of(alert, job)))
            if alert.closed_at is not None:
                rows.append(TimelineRow(alert.closed_at, f"alert closed: {name}", place_of(alert, job)))
    if job.end is not None:
        rows.append(TimelineRow(job.end, "job ended", ""))
    past = [row for row in rows if row.at <= now]
    return sorted(past, key=lambda row: (row.at, row.what, row.where), reverse=True)[:_MOST_EVENTS]


def readiness_said(state: JobState, times: LocalTimes) -> str:
    """How many of the slabs and elements are ready, and before which day not all are; empty: no verdict is asked."""
    verdicts = state.assessment.readiness if state.assessment is not None else ()
    if not verdicts:
        return ""
    waiting = [one for one in verdicts if one.verdict is not Verdict.READY]
    if not waiting:
        return "Ready, by every criterion."
    ready = len(verdicts) - len(waiting)
    said = "Not ready." if not ready else f"{ready} of {len(verdicts)} ready."
    dates = [
        max(at for at in (one.earliest, one.not_before) if at) for one in waiting if one.earliest or one.not_before
    ]
    day = times.day(max(dates), weekday=True) if len(dates) == len(waiting) else None
    return said if day is None else f"{said} {'All not' if len(waiting) > 1 else 'Not'} before {day}."
