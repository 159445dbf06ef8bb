"""Sentences of a verdict on readiness, made from its facts: the same on the page and in the report."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.model.jobs import JobFile
from monitord.model.quantity import Quantity
from monitord.model.readiness.slabs import Slab
from monitord.model.readiness.verdict import (
    Criterion,
    CriterionResult,
    Outcome,
    PositionValue,
    Readiness,
    Reason,
    Verdict,
)
from monitord.text import formats
from monitord.text.speaker import Speaker

C, R = Criterion, Reason

TITLES = {
    C.CRITERIA: "Rules to judge by",
    C.LIMIT: "Every position at or under the limit, uncertainty included",
    C.HELD: "Held under the limit",
    C.REWETTING: "None getting wet again",
    C.EQUILIBRATION: "Sealed positions equilibrated",
    C.SERVICE: "Room and slab as they will be used",
    C.HEATING: "Drying aids off",
    C.POSITIONS: "Enough positions",
    C.DEPTH: "Right depth",
    C.CALIBRATION: "Probes checked",
    C.PROBE: "Probes reporting, without fault, accurate enough",
    C.SPOT: "Goal by spot readings",
}
OUTCOMES = {Outcome.PASS: "Pass", Outcome.FAIL: "Fail", Outcome.NOT_YET: "Not yet", Outcome.CANNOT_SAY: "Can’t say"}
VERDICTS = {Verdict.READY: "Ready", Verdict.NOT_READY: "Not ready", Verdict.CANNOT_SAY: "Can’t say"}
COUNTED = {
    Outcome.PASS: "{count} of {all} pass",
    Outcome.FAIL: "{count} fail",
    Outcome.NOT_YET: "{count} not yet",
    Outcome.CANNOT_SAY: "{count} can’t say",
}

CAUTIONS = (
    "The limit is the manufacturer’s of this covering and adhesive. Another floor has another.",
    "The positions speak for the slab only where it is one pour, of one thickness, dried alike.",
    "Damp from below, or a missing membrane, comes back under a tight floor.",
    "Before drilling, have asbestos ruled out, and pipes, cables and floor heating located.",
)
CONFIRM = "‡ Confirm in the edition you work to."

READY = ("{verdict} as of {at}.",)
OTHERWISE = ("{verdict}. Earliest {earliest}, if nothing else comes.", "{verdict}.")

OWN_GOAL = "Against the goal of the location."
NO_COVERING = "covering not named"
DEFAULT_LIMIT = (
    "Floor: {covering}. The manufacturer’s limit is not given: the default of the criteria stands in. "
    "Ask the manufacturer before laying."
)
NO_LIMIT = "Floor: {covering}. No limit is given."
OWN_LIMIT = (
    "Floor: {covering}. Limit {limit} by its manufacturer ({source}).",
    "Floor: {covering}. Limit {limit} by its manufacturer.",
)

TO_PASS = {
    R.CRITERIA_UNKNOWN: "Name criteria that are there (`monitord criteria list`).",
    R.DEPTH_OFF: "A hole at {limit}.",
    R.DEPTH_UNKNOWN: "State depth, thickness and drying faces in the job.",
    R.TOO_FEW: "{limit} positions.",
    R.AREA_UNKNOWN: "State the area in the job.",
    R.SEALING_UNKNOWN: "State in the job when it was sealed.",
    R.NO_READINGS: "A reading. Check the probe.",
    R.CLOCK_RUNS: "Keep it sealed for {limit}.",
    R.STILL_MOVES: "Keep it sealed until it moves by {limit} a day at most.",
    R.ROOM_UNKNOWN: "A probe in the room that reports.",
    R.SERVICE_UNSTATED: "State in the job how the room will be used.",
    R.OUT_OF_SERVICE: "Bring it into that range and keep it there for {limit}.",
    R.SERVICE_RUNS: "Keep it as it is for {limit}.",
    R.AIDS_ON_OR_UNKNOWN: "Turn drying aids and floor heating off, and state when.",
    R.AIDS_OFF_RUNS: "Leave them off for {limit}.",
    R.CHECK_UNKNOWN: "Check the probe over a salt and record it.",
    R.CHECK_TOO_OLD: "Check the probe over a salt and record it.",
    R.CHECK_TOO_OLD_BEFORE_USE: "Check the probe over a salt and record it.",
    R.FAULT: "Check position and seal; else another probe, and its clock again.",
    R.SILENT: "Check battery and cover, then gateway.",
    R.ACCURACY_TOO_WIDE: "A probe within ± {limit}, or a check that shows it is.",
    R.LIMIT_UNKNOWN: "State the covering manufacturer’s limit in the job.",
    R.NOT_EQUILIBRATED: "Wait until it is equilibrated: no verdict early.",
    R.OVER_LIMIT: "{accepted} or less.",
    R.WITHIN_GUARD_BAND: "{accepted} or less, or a reading with less uncertainty.",
    R.NOT_HELD: "{limit} under the limit without a break.",
    R.HOLD_RUNS: "{limit} without a break.",
    R.GETTING_WET: "Find the water and stop it.",
    R.WETTING_UNKNOWN: "A day and a half of readings.",
    R.SPOT_NOT_MEASURED: "A spot reading.",
    R.SPOT_NO_CONTROL: "A spot reading here and at its control within a day, by one instrument.",
    R.SPOT_OTHER_INSTRUMENT: "A spot reading here and at its control within a day, by one instrument.",
    R.SPOT_WITHIN_UNCERTAINTY: "A spot reading under the goal by more than its uncertainty.",
}
"""What would make it pass."""

MEASURED = {
    R.CRITERIA_UNKNOWN: "no such criteria",
    R.DEPTH_UNKNOWN: "not stated",
    R.AREA_UNKNOWN: "area not stated",
    R.SEALING_UNKNOWN: "sealing not stated",
    R.NO_READINGS: "not known",
    R.ROOM_UNKNOWN: "not known",
    R.SERVICE_UNSTATED: "not stated",
    R.AIDS_ON_OR_UNKNOWN: "on, or not stated",
    R.CHECK_UNKNOWN: "no check on record",
    R.FAULT: "fault: its readings are excluded",
    R.SILENT: "no reading",
    R.LIMIT_UNKNOWN: "no limit to hold it to",
    R.NOT_EQUILIBRATED: "no value yet",
    R.NOT_HELD: "not under the limit now",
    R.GETTING_WET: "getting wet again",
    R.WETTING_UNKNOWN: "not known",
    R.SPOT_NOT_MEASURED: "not measured yet",
    R.SPOT_NO_CONTROL: "control not measured within a day of it",
    R.SPOT_OTHER_INSTRUMENT: "control measured with another instrument",
    R.SPOT_WITHIN_UNCERTAINTY: "under it, but by less than its uncertainty",
}
"""What is said where there is no number to give."""

NO_RISE, MOVING, AS_IT_SHOULD = "no rise", "moving", "as it should be"
WITH_CHANCE = "{value}, {likely} ({chance}) to be under the limit"
SEALED, CHANGING = "{value} since sealing", "moving by {value} a day"
CHECKED, CHECKED_BEFORE = "checked {value} ago", "checked {value} before use"
SINCE, OR_MORE, AT_MOST = "since {time}", "{value} or more", "{value} at most"
OVER, OVER_AT_MOST = "{value} over its control", "{value} over its control at most"
LESS_GUARD = "{value}, less {guard} for the uncertainty"

_CLOCKS = (C.HELD, C.SERVICE, C.HEATING, C.EQUILIBRATION)
_HOUR_S, _DAY_S = 3600.0, 86_400.0

MESSAGES = (
    *TITLES.values(),
    *OUTCOMES.values(),
    *VERDICTS.values(),
    *COUNTED.values(),
    *CAUTIONS,
    CONFIRM,
    *READY,
    *OTHERWISE,
    OWN_GOAL,
    NO_COVERING,
    DEFAULT_LIMIT,
    NO_LIMIT,
    *OWN_LIMIT,
    *TO_PASS.values(),
    *MEASURED.values(),
    *(NO_RISE, MOVING, AS_IT_SHOULD, WITH_CHANCE, SEALED, CHANGING, CHECKED, CHECKED_BEFORE),
    *(SINCE, OR_MORE, AT_MOST, LESS_GUARD, OVER, OVER_AT_MOST),
)


@dataclass(frozen=True)
class CriterionRow:
    """One criterion as it stands in a table."""

    outcome: Outcome
    word: str
    title: str
    measured: tuple[str, ...]
    """A line for each position."""
    when: str
    limit: str
    source: str
    to_pass: tuple[str, ...]
    earliest: str


def headline(speaker: Speaker, verdict: Readiness) -> str:
    """`Not ready. Earliest Sat 2 Jan 07:00 GMT, if nothing else comes.`"""
    variants = READY if verdict.verdict is Verdict.READY else OTHERWISE
    slots = {
        "verdict": speaker.text(VERDICTS[verdict.verdict]),
        "at": speaker.moment(verdict.as_of),
        "earliest": speaker.moment(verdict.earliest),
    }
    return speaker.say(variants, slots)


def tally(speaker: Speaker, verdict: Readiness) -> str:
    """`4 of 8 pass, 2 fail, 2 not yet.`"""
    counts = {outcome: sum(r.outcome is outcome for r in verdict.results) for outcome in COUNTED}
    parts = [
        speaker.text(COUNTED[outcome]).format(count=count, all=len(verdict.results))
        for outcome, count in counts.items()
        if count or outcome is Outcome.PASS
    ]
    return ", ".join(parts) + "."


def covering(speaker: Speaker, slab: Slab | None, verdict: Readiness) -> str:
    """The covering and whose limit is used; a default is named as one."""
    if slab is None:
        return speaker.text(OWN_GOAL)
    floor = slab.covering
    what = ", ".join(part for part in (floor.name, floor.manufacturer) if part) or speaker.text(NO_COVERING)
    if verdict.limit_is_default:
        return speaker.say((DEFAULT_LIMIT,), {"covering": what})
    if floor.limit_pct is None:
        return speaker.say((NO_LIMIT,), {"covering": what})
    limit = formats.bare(floor.limit_pct, "% RH", speaker.language)
    return speaker.say(OWN_LIMIT, {"covering": what, "limit": limit, "source": floor.limit_source or None})


def criterion_rows(speaker: Speaker, verdict: Readiness, job: JobFile) -> list[CriterionRow]:
    """The rows of a verdict, what does not pass first."""
    order = (Outcome.FAIL, Outcome.NOT_YET, Outcome.CANNOT_SAY, Outcome.PASS)
    return [_row(speaker, result, job) for result in sorted(verdict.results, key=lambda r: order.index(r.outcome))]


def _row(speaker: Speaker, result: CriterionResult, job: JobFile) -> CriterionRow:
    decisive = result.decisive
    open_ = [value for value in result.positions if value.outcome is not Outcome.PASS]
    when = speaker.moment(decisive.at)
    if when is not None and result.criterion in _CLOCKS:
        when = speaker.say((SINCE,), {"time": when})
    return CriterionRow(
        outcome=result.outcome,
        word=speaker.text(OUTCOMES[result.outcome]),
        title=speaker.text(TITLES[result.criterion]),
        measured=tuple(_position(speaker, result.criterion, value, job) for value in result.positions),
        when=when or "",
        limit=_limit(speaker, result.criterion, decisive, job),
        source=result.source + (" ‡" if result.confirm else ""),
        to_pass=tuple(dict.fromkeys(_to_pass(speaker, result.criterion, value, job) for value in open_)),
        earliest=speaker.moment(result.earliest) or "",
    )


def _to_pass(speaker: Speaker, criterion: Criterion, value: PositionValue, job: JobFile) -> str:
    slots: dict[str, str | None] = {"limit": None, "accepted": None}
    if value.limit is not None:
        slots["limit"] = shown(speaker, value.limit)
        accepted = value.limit.value - (value.limit.u or 0.0)
        words = decided(speaker, Quantity(value=accepted, unit=value.limit.unit))
        slots["accepted"] = speaker.say((OVER,), {"value": words}) if _has_control(criterion, value, job) else words
    return speaker.say((TO_PASS[value.reason],), slots)


def _has_control(criterion: Criterion, value: PositionValue, job: JobFile) -> bool:
    """Whether its numbers are those over a control."""
    goals = (location.spot_goal for location in job.locations if location.id == value.location)
    return criterion is C.SPOT and any(goal is not None and goal.control is not None for goal in goals)


def _position(speaker: Speaker, criterion: Criterion, value: PositionValue, job: JobFile) -> str:
    known = {location.id: location.label for location in job.locations}
    said = _measured(speaker, criterion, value)
    if value.measured is not None and value.reason not in MEASURED and _has_control(criterion, value, job):
        said = speaker.say((OVER,), {"value": said})
    return f"{known[value.location]}: {said}" if value.location in known else said


def _measured(speaker: Speaker, criterion: Criterion, value: PositionValue) -> str:
    if value.reason in MEASURED:
        return speaker.text(MEASURED[value.reason])
    if value.measured is None:
        return speaker.text({C.REWETTING: NO_RISE, C.EQUILIBRATION: MOVING}.get(criterion, AS_IT_SHOULD))
    text = shown(speaker, value.measured)
    if criterion is C.LIMIT and value.probability is not None:
        slots = {
            "value": decided(speaker, value.measured),
            "likely": formats.chance_word(value.probability, speaker.language),
            "chance": formats.chance(value.probability),
        }
        return speaker.say((WITH_CHANCE,), slots)
    if criterion is C.EQUILIBRATION:
        return speaker.say((CHANGING if value.reason is R.STILL_MOVES else SEALED,), {"value": text})
    if criterion is C.CALIBRATION:
        before = value.reason is R.CHECK_TOO_OLD_BEFORE_USE
        return speaker.say((CHECKED_BEFORE if before else CHECKED,), {"value": text})
    return f"± {text}" if criterion is C.PROBE else text


def _limit(speaker: Speaker, criterion: Criterion, value: PositionValue, job: JobFile) -> str:
    limit = value.limit
    if limit is None:
        return ""
    text = shown(speaker, limit)
    if criterion is C.SPOT:
        return speaker.say((OVER_AT_MOST if _has_control(criterion, value, job) else AT_MOST,), {"value": text})
    if criterion is C.LIMIT and limit.u is not None:
        bare = formats.bare(limit.value, limit.unit, speaker.language)
        return speaker.say((LESS_GUARD,), {"value": bare, "guard": formats.number(limit.u, 1, speaker.language)})
    if criterion in (*_CLOCKS, C.POSITIONS):
        return speaker.say((OR_MORE if limit.unit in ("h", "1") else AT_MOST,), {"value": text})
    if criterion is C.CALIBRATION:
        return speaker.say((AT_MOST,), {"value": text})
    return f"± {text}" if criterion is C.PROBE else text


def decided(speaker: Speaker, quantity: Quantity) -> str:
    """A value that a limit decides on: one decimal, so that its reader can hold it against the accepted one."""
    language = speaker.language
    uncertainty = "" if quantity.u is None else f" ± {formats.number(formats.COVERAGE * quantity.u, 1, language)}"
    return f"{formats.number(quantity.value, 1, language)}{uncertainty} {language.text(quantity.unit)}"


def shown(speaker: Speaker, quantity: Quantity) -> str:
    """A quantity for people: spans and counts rounded, a depth with its tolerance, others as everywhere."""
    unit, u = quantity.unit, quantity.u
    if unit in ("h", "d"):
        return speaker.span(quantity.value * (_HOUR_S if unit == "h" else _DAY_S)) or ""
    if unit == "1":
        return f"{quantity.value:.0f}"
    if unit == "mm" and u is not None:
        quantity = quantity.model_copy(update={"u": u / formats.COVERAGE})  # a tolerance, and no standard uncertainty
    return speaker.amount(quantity) or ""
