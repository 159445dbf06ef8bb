"""The words, shapes and tones of states and alerts. A status is always told by all three."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from monitord.alerts.messages.alert_speaker import location_label as location_label  # noqa: PLC0414  kept importable from here
from monitord.alerts.messages.alert_speaker import place_of
from monitord.model.alerts import SYSTEM, Alert, Severity
from monitord.model.assessments import Comparison, Flow, LocationAssessment, State
from monitord.model.facts import FindingKind
from monitord.model.jobs import JobFile, LocationKind
from monitord.model.units import Units, quantity_in
from monitord.text.alert_texts import TEXTS
from monitord.text.catalogue import FALLBACK, Language, language, reader_language
from monitord.text.labels import ITSELF
from monitord.text.speaker import Speaker
from monitord.text.states import NAMES as STATE_NAMES
from monitord.text.terms import SEVERITIES
from monitord.web.text.formats import magnitude
from monitord.web.text.local_time import LocalTimes
from monitord.web.visitor import reader_units


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


def _state(state: State, tone: str, icon: str, rank: int) -> StatusStyle:
    return StatusStyle(STATE_NAMES[state], tone, icon, rank)


STATES: dict[State, StatusStyle] = {
    state: _state(state, *look)
    for state, look in {
        State.REWETTING: ("act", "up", 0),
        State.STALLED: ("watch", "stall", 3),
        State.OUT_OF_REACH: ("watch", "stall", 3),
        State.NOT_DRYING: ("watch", "stall", 4),
        State.NO_DATA: ("none", "q", 5),
        State.NO_CLEAR_TREND: ("go", "slow", 6),
        State.DRYING_SLOWLY: ("go", "slow", 6),
        State.TOO_EARLY: ("go", "wait", 7),
        State.SETTLING: ("go", "wait", 7),
        State.EQUILIBRATING: ("go", "wait", 8),
        State.DRYING: ("go", "go", 9),
        State.RECORDED_ONLY: ("none", "dot", 10),
        State.AT_GOAL: ("ok", "ok", 11),
    }.items()
}
_CONDENSING = StatusStyle("Condensation likely", "act", "drop", 1)
_NEAR_CONDENSING = StatusStyle("Near dew point", "watch", "drop", 4)

NOT_ASSESSED = StatusStyle("No assessment yet", "none", "q", 5)


def style_of(location: LocationAssessment) -> StatusStyle:
    """The status of a location: its state, unless its surface is in a worse one."""
    state, surface = STATES[location.state], _surface_style(location)
    return surface if surface is not None and surface.rank < state.rank else state


def surface_leads(location: LocationAssessment) -> bool:
    """Whether the status of a location is that of its surface."""
    return style_of(location) is _surface_style(location)


def _surface_style(location: LocationAssessment) -> StatusStyle | None:
    if location.surface is None or location.state is State.NO_DATA:
        return None
    return {"act": _CONDENSING, "warn": _NEAR_CONDENSING}.get(location.surface.level)


def english() -> Language:
    """The language of pages: British English, or that of the United States for a reader of its units."""
    return language(reader_language(FALLBACK, reader_units()))


def spelled(text: str) -> str:
    """Words of a page that are not in the catalogue, as their reader spells them."""
    return english().text(text)


_PROBE_KINDS = frozenset(
    {
        FindingKind.PROBE_SILENT,
        FindingKind.PROBE_FAULT,
        FindingKind.LOW_BATTERY,
        FindingKind.LOW_BATTERY_LEVEL,
        FindingKind.GATEWAY_SILENT,
        FindingKind.CALIBRATION_DUE,
    }
)


def speaker_of(times: LocalTimes, units: Units = Units.METRIC) -> Speaker:
    """Who puts facts into words on a page."""
    return Speaker(english(), times.zone, times.now, partial(quantity_in, units=units), tied=True)


def alert_kinds() -> dict[str, str]:
    """Every kind of alert with its name, by name."""
    named = {kind.value: spelled(texts.words) for kind, texts in TEXTS.items()}
    return dict(sorted(named.items(), key=lambda item: item[1]))


EASING = StatusStyle("Easing", "watch", "ease", 2)
"""An open alert whose condition no longer holds."""


def alert_style(alert: Alert) -> StatusStyle:
    """How soon someone should act, as a status."""
    if alert.easing:
        return EASING
    word = SEVERITIES[alert.severity]
    if alert.severity is Severity.ACT:
        return StatusStyle(word, "act", "drop" if alert.kind is FindingKind.CONDENSATION else "up", 0)
    if alert.kind in _PROBE_KINDS:
        return StatusStyle(word, "none", "q", 2)
    if alert.severity is Severity.WATCH:
        icon = {FindingKind.CONDENSATION: "drop", FindingKind.DRYING_STALLED: "stall"}.get(alert.kind, "watch")
        return StatusStyle(word, "watch", icon, 1)
    return StatusStyle(word, *(("ok", "ok") if alert.kind is FindingKind.GOAL_REACHED else ("go", "note")), 3)


def alert_title(alert: Alert, job: JobFile | None) -> str:
    """`Getting wet again: Utility room, outside wall cavity`, in full."""
    where = ITSELF if alert.job == SYSTEM and alert.gateway is None and alert.probe is None else place_of(alert, job)
    kind = spelled(TEXTS[alert.kind].words)
    return f"{kind}: {where}" if where else kind


KINDS = {
    LocationKind.ROOM_AIR: "room air",
    LocationKind.OUTDOOR_AIR: "outdoor air",
    LocationKind.CAVITY: "cavity",
    LocationKind.SUBFLOOR_VOID: "subfloor void",
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


def flow_words(comparison: Comparison | None) -> str:
    """`into the room, 700 ± 60 Pa`: which way vapour is driven, seen from the location."""
    if comparison is None or comparison.flow is Flow.UNKNOWN:
        return "not known"
    air = _AIRS.get(comparison.role, "the air beside it")
    difference = comparison.vapour_pressure_difference
    much = f", {magnitude(difference)}" if difference is not None else ""
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
