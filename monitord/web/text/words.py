"""The words, shapes and tones of states and alerts. A status is always told by all three."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.alerts.messages.templating import Templates
from monitord.model.alerts import SYSTEM, Alert, Severity
from monitord.model.assessments import Comparison, Flow, LocationAssessment, State
from monitord.model.jobs import JobFile, LocationKind
from monitord.web.text.formats import amount


@dataclass(frozen=True)
class StatusStyle:
    """How a status is shown."""

    word: str
    tone: str
    """Class of its colour: `act`, `watch`, `none`, `go` or `ok`."""
    icon: str
    """Name of its shape in the page's store of symbols."""
    rank: int
    """0 is the worst; what is worst comes first."""


STATES: dict[State, StatusStyle] = {
    State.REWETTING: StatusStyle("Getting wet again", "act", "up", 0),
    State.STALLED: StatusStyle("Stalled", "watch", "stall", 3),
    State.UNKNOWN: StatusStyle("Not known", "none", "q", 5),
    State.SLOW: StatusStyle("Drying slowly", "go", "slow", 6),
    State.TOO_EARLY: StatusStyle("Too early to tell", "go", "wait", 7),
    State.SETTLING: StatusStyle("Settling", "go", "wait", 7),
    State.EQUILIBRATING: StatusStyle("Equilibrating", "go", "wait", 8),
    State.DRYING: StatusStyle("Drying", "go", "go", 9),
    State.WATCHED: StatusStyle("Watched", "none", "dot", 10),
    State.AT_GOAL: StatusStyle("At goal", "ok", "ok", 11),
}
_CONDENSING = StatusStyle("Condensing", "act", "drop", 1)
_NEAR_CONDENSING = StatusStyle("Near condensation", "watch", "drop", 4)

NOT_ASSESSED = StatusStyle("Not assessed yet", "none", "q", 5)


def style_of(location: LocationAssessment) -> StatusStyle:
    """The status of a location: its state, unless its surface is in a worse one."""
    state, surface = STATES[location.state], _surface_style(location)
    return surface if surface is not None and surface.rank < state.rank else state


def surface_leads(location: LocationAssessment) -> bool:
    """Whether the status of a location is that of its surface."""
    return style_of(location) is _surface_style(location)


def _surface_style(location: LocationAssessment) -> StatusStyle | None:
    if location.surface is None or location.state is State.UNKNOWN:
        return None
    return {"act": _CONDENSING, "warn": _NEAR_CONDENSING}.get(location.surface.level)


ENGLISH = Templates()
"""The same names of alerts as in messages."""

_PROBE_KINDS = frozenset({"probe_silent", "probe_fault", "low_battery", "gateway_silent", "calibration_due"})


def alert_style(alert: Alert) -> StatusStyle:
    """How soon someone should act, as a status."""
    if alert.severity is Severity.ACT:
        return StatusStyle("Act today", "act", "drop" if alert.kind == "condensation" else "up", 0)
    if alert.kind in _PROBE_KINDS:
        return StatusStyle("Check the probe", "none", "q", 2)
    if alert.severity is Severity.WATCH:
        icon = {"condensation": "drop", "drying_stalled": "stall"}.get(alert.kind, "watch")
        return StatusStyle("Look this week", "watch", icon, 1)
    if alert.kind == "goal_reached":
        return StatusStyle("Good news", "ok", "ok", 3)
    return StatusStyle("For your notice", "go", "note", 3)


def alert_title(alert: Alert, job: JobFile | None) -> str:
    """`Getting wet again: Utility room, outside wall cavity`."""
    title = ENGLISH.kind(alert.kind)
    where = ""
    if alert.location is not None:
        where = location_label(job, alert.location)
        if alert.probe is not None:
            where += f" (probe {alert.probe})"
    elif alert.probe is not None:
        where = f"probe {alert.probe}"
    elif alert.gateway is not None:
        where = f"gateway {alert.gateway}"
    elif alert.job == SYSTEM:
        where = "monitord itself"
    return f"{title}: {where}" if where else title


def location_label(job: JobFile | None, location_id: str) -> str:
    """The name of a location, or its id where the job file knows it no more."""
    if job is None:
        return location_id
    try:
        return job.location(location_id).label
    except KeyError:
        return location_id


KINDS = {
    LocationKind.ROOM_AIR: "room air",
    LocationKind.OUTDOOR_AIR: "outdoor air",
    LocationKind.CAVITY: "cavity",
    LocationKind.SUBFLOOR_VOID: "sub-floor void",
    LocationKind.SLAB_SLEEVE: "slab sleeve",
    LocationKind.SURFACE: "surface",
    LocationKind.MATERIAL: "material",
}

SHORT_KINDS = {
    LocationKind.ROOM_AIR: "room air",
    LocationKind.OUTDOOR_AIR: "outdoors",
    LocationKind.CAVITY: "cavity",
    LocationKind.SUBFLOOR_VOID: "void",
    LocationKind.SLAB_SLEEVE: "sleeve",
    LocationKind.SURFACE: "surface",
    LocationKind.MATERIAL: "material",
}
"""What a line of a chart is called."""

_AIRS = {"room": "the room", "outdoors": "the outdoor air", "depth": "the other depth"}


def flow_words(comparison: Comparison | None, coverage: float) -> str:
    """`into the room, 700 ± 60 Pa`: which way vapour is driven, seen from the location."""
    if comparison is None or comparison.flow is Flow.UNKNOWN:
        return "not known"
    air = _AIRS.get(comparison.role, "the air beside it")
    difference = comparison.vapour_pressure_difference
    much = f", {amount(difference, coverage)}" if difference is not None else ""
    if comparison.flow is Flow.OUT_OF:
        return f"into {air}{much}"
    if comparison.flow is Flow.INTO:
        return f"in from {air}{much}"
    return "no clear difference"


def main_comparison(location: LocationAssessment) -> Comparison | None:
    """The comparison that drying depends on: with the room, else the reference, else outdoors."""
    order = ("room", "reference", "outdoors")
    ranked = [c for role in order for c in location.comparisons if c.role == role]
    return ranked[0] if ranked else next(iter(location.comparisons), None)


def name_parts(label: str) -> tuple[str, str]:
    """`Utility room, outside wall cavity` as the place and what is measured there."""
    location, _, rest = label.partition(", ")
    return location, rest
