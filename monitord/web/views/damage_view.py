"""What the drying itself could harm at a location, and what could be done, as sentences; and spot readings as rows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitord.model.assessments import LocationAssessment
from monitord.model.damage import MouldRisk, Ventilation
from monitord.model.jobs import JobFile, Location
from monitord.model.site.spots import SCALES, Spot, SpotKind
from monitord.model.units import Units, unit_in, value_in
from monitord.text.comparisons import source_sentence
from monitord.text.damage import caution_sentence, mould_sentence, night_sentence, timber_sentence, ventilation_sentence
from monitord.text.faults import fault_sentence
from monitord.text.speaker import Speaker
from monitord.web.queries import JobState
from monitord.web.text.formats import length, number
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import location_label, speaker_of, spelled


@dataclass(frozen=True)
class TextRow:
    """One subject and what is held of it."""

    subject: str
    words: str


@dataclass(frozen=True)
class SpotRow:
    """One measurement by hand, as text."""

    at: datetime
    what: str
    shown: str
    corrected: str
    how: str
    by: str
    note: str


@dataclass(frozen=True)
class FlagRow:
    """Readings of a probe that are excluded, from when to when, and why."""

    probe: str
    start: datetime
    end: datetime | None
    reason: str


def flag_rows(assessed: LocationAssessment | None, times: LocalTimes) -> list[FlagRow]:
    """The flags of a location's probes."""
    speaker, flags = speaker_of(times), assessed.flags if assessed is not None else ()
    return [FlagRow(flag.probe, flag.start, flag.end, fault_sentence(speaker, flag.why)) for flag in flags]


def damage_said(
    state: JobState, location: Location, assessed: LocationAssessment | None, times: LocalTimes
) -> list[TextRow]:
    """Moisture source, night ahead, mould, timber, frost and heat, ventilation; only what applies to the location."""
    if assessed is None:
        return []
    found, speaker = [], speaker_of(times)
    if assessed.source is not None:
        found.append(TextRow("Moisture source", source_sentence(speaker, assessed.source)))
    if assessed.night_ahead is not None:
        found.append(TextRow("The night ahead", night_sentence(speaker, assessed.night_ahead)))
    if assessed.mould is not None:
        found.append(
            TextRow(spelled("Mould"), f"{mould_sentence(speaker, assessed.mould)} {_criteria(assessed.mould)}".strip())
        )
    if assessed.wood is not None:
        found.append(TextRow("Timber", timber_sentence(speaker, assessed.wood)))
    if assessed.cautions:
        found.append(TextRow("Frost and heat", " ".join(caution_sentence(speaker, one) for one in assessed.cautions)))
    advice = state.assessment.ventilation if state.assessment is not None else ()
    found += [
        TextRow("Ventilation, heating, dehumidifying", _advice(state, one, speaker))
        for one in advice
        if one.room == location.id
    ]
    return found


def _advice(state: JobState, one: Ventilation, speaker: Speaker) -> str:
    cold = "" if one.condenses_on is None else location_label(state.job, one.condenses_on)
    return ventilation_sentence(speaker, one, cold)


def ventilation_said(state: JobState, times: LocalTimes) -> list[TextRow]:
    """The advice for each room."""
    advice = state.assessment.ventilation if state.assessment is not None else ()
    rooms = {location.id: location.label for location in state.job.locations}
    return [TextRow(rooms[one.room], _advice(state, one, speaker_of(times))) for one in advice if one.room in rooms]


def _criteria(mould: MouldRisk) -> str:
    """The criteria of standards that are known yet, in a few words."""
    said = []
    if mould.month_exceeded is not None and mould.month_mean_rh is not None:
        verdict = "over" if mould.month_exceeded else "within"
        said.append(
            f"mean of the last calendar month {number(mould.month_mean_rh, 0)} %, {verdict} EN ISO 13788's 80 %"
        )
    if mould.thirty_days_exceeded is not None:
        said.append(f"30 days {'over' if mould.thirty_days_exceeded else 'within'} ASHRAE 160's 80 %")
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def spot_rows(job: JobFile, location: Location, units: Units) -> list[SpotRow]:
    """The spot readings at a location, the newest first."""
    return [_row(spot, units) for spot in reversed(job.spots_at(location.id))]


def _row(spot: Spot, units: Units) -> SpotRow:
    wood, unit = spot.kind is SpotKind.WOOD_MOISTURE, SCALES[spot.kind].unit
    sign = f"\u00a0{unit_in(unit, units)}"
    corrected = f"{number(value_in(spot.corrected, unit, units), 1)}{sign}" if spot.correction else "as shown"
    if wood:
        corrected += f", for {spot.corrected_for}" if spot.corrected_for else ", species and temperature not stated"
    depth = "" if spot.depth_mm is None else f"{length(spot.depth_mm, units)} deep"
    return SpotRow(
        at=spot.at,
        what=SPOT_KINDS[spot.kind],
        shown=f"{number(value_in(spot.value, unit, units), 1)}{sign}",
        corrected=corrected,
        how=spot.instrument or "not stated",
        by=spot.by or "not stated",
        note="; ".join(part for part in (depth, spot.note) if part),
    )


SPOT_KINDS = {
    SpotKind.WOOD_MOISTURE: "timber",
    SpotKind.SURFACE_TEMPERATURE: "surface",
    SpotKind.RELATIVE_HUMIDITY: "air",
    SpotKind.WOOD_EQUIVALENT: "wood scale on other material",
    SpotKind.PLASTER: "plaster scale",
    SpotKind.CONCRETE: "concrete, impedance",
}
_CAN_NOT_SAY = {
    "not_measured": "not measured yet",
    "no_control": "its control not measured within a day of it",
    "other_instrument": "its control measured with another instrument",
    "within_uncertainty": "under it, but by less than its uncertainty",
}


@dataclass(frozen=True)
class SpotGoalRow:
    """The goal for spot readings at a location, and how the newest reading stands to it."""

    what: str
    goal: str
    stands: str
    met: bool | None

    @property
    def said(self) -> str:
        """`Spot readings: not met, 1.3 % plaster, control 0.4 % plaster; goal 0.5 % plaster over Bedroom.`"""
        return f"Spot readings: {self.stands}; goal {self.goal}."


def spot_goal_row(job: JobFile, location: Location, now: datetime) -> SpotGoalRow | None:
    """The goal for spot readings at a location; None where it has none."""
    goal, found = location.spot_goal, job.spots_against_goal(location, now)
    if goal is None or found is None:
        return None
    unit = SCALES[goal.kind].unit
    over = "" if goal.control is None else f" over {location_label(job, goal.control)}"
    words = f"{goal.limit:g}\u00a0{unit}{over}"
    if found.spot is None or found.met is None:
        return SpotGoalRow(SPOT_KINDS[goal.kind], words, _CAN_NOT_SAY[found.why], None)
    value = f"{number(found.spot.corrected, 1)}\u00a0{unit}"
    beside = f", control {number(found.control.corrected, 1)}\u00a0{unit}" if found.control is not None else ""
    stands = f"{'met' if found.met else 'not met'}, {value}{beside}"
    return SpotGoalRow(SPOT_KINDS[goal.kind], words, stands, found.met)
