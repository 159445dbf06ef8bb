"""English sentences of a verdict, made from its facts: the same on the page, in the report and on the command line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from math import floor, log10

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

C, R = Criterion, Reason
Stamp = Callable[[datetime], str]
"""A time as people on site read it."""

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
    C.PROBE: "Probes heard, without fault, accurate enough",
}
OUTCOMES = {Outcome.PASS: "Pass", Outcome.FAIL: "Fail", Outcome.NOT_YET: "Not yet", Outcome.CANNOT_SAY: "Can’t say"}
VERDICTS = {Verdict.READY: "Ready", Verdict.NOT_READY: "Not ready", Verdict.CANNOT_SAY: "Can’t say"}

CAUTIONS = (
    "The limit is the manufacturer’s of this covering and adhesive. Another floor has another.",
    "The positions speak for the slab only where it is one pour, of one thickness, dried alike.",
    "Damp from below, or a missing membrane, comes back under a tight floor.",
    "Before drilling, have asbestos ruled out, and pipes, cables and floor heating located.",
)
CONFIRM = "‡ Confirm in the edition you work to."

_TO_PASS = {
    R.CRITERIA_UNKNOWN: "Name criteria that are there (`monitord criteria list`).",
    R.DEPTH_OFF: "A hole at {limit}.",
    R.DEPTH_UNKNOWN: "State depth, thickness and drying faces in the job.",
    R.TOO_FEW: "{limit} positions.",
    R.AREA_UNKNOWN: "State the area in the job.",
    R.SEALING_UNKNOWN: "State in the job when it was sealed.",
    R.NO_READINGS: "A reading. Check the probe.",
    R.CLOCK_RUNS: "Keep it sealed for {limit}.",
    R.STILL_MOVES: "Keep it sealed until it moves by {limit} at most.",
    R.ROOM_UNKNOWN: "A probe in the room that is heard.",
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
}

_MEASURED = {
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
}
"""What is said where there is no number to give."""


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


def headline(verdict: Readiness, stamp: Stamp) -> str:
    """`Not ready. Earliest Sat 2 Jan, 07:00.`"""
    word = VERDICTS[verdict.verdict]
    if verdict.verdict is Verdict.READY:
        return f"{word} as of {stamp(verdict.as_of)}."
    date = verdict.earliest
    return f"{word}." if date is None else f"{word}. Earliest {stamp(date)}, if nothing else comes."


def tally(verdict: Readiness) -> str:
    """`4 of 8 pass, 2 fail, 2 not yet.`"""
    counts = {o: sum(r.outcome is o for r in verdict.results) for o in Outcome}
    others = (Outcome.FAIL, Outcome.NOT_YET, Outcome.CANNOT_SAY)
    rest = [f"{counts[o]} {OUTCOMES[o].lower()}" for o in others if counts[o]]
    return ", ".join([f"{counts[Outcome.PASS]} of {len(verdict.results)} pass", *rest]) + "."


def covering(slab: Slab | None, verdict: Readiness) -> str:
    """The covering and whose limit is used; a default is named as one."""
    if slab is None:
        return "Against the goal of the location."
    what = ", ".join(part for part in (slab.covering.name, slab.covering.manufacturer) if part) or "covering not named"
    if verdict.limit_is_default:
        return (
            f"Floor: {what}. The manufacturer’s limit is not given: the criteria’s default stands in. "
            "Ask the manufacturer before laying."
        )
    if slab.covering.limit_pct is None:
        return f"Floor: {what}. No limit is given."
    source = f" ({slab.covering.limit_source})" if slab.covering.limit_source else ""
    return f"Floor: {what}. Limit {slab.covering.limit_pct:g} % RH by its manufacturer{source}."


def criterion_rows(verdict: Readiness, job: JobFile, stamp: Stamp) -> list[CriterionRow]:
    """The rows of a verdict, what does not pass first."""
    order = (Outcome.FAIL, Outcome.NOT_YET, Outcome.CANNOT_SAY, Outcome.PASS)
    return [_row(result, job, stamp) for result in sorted(verdict.results, key=lambda r: order.index(r.outcome))]


def _row(result: CriterionResult, job: JobFile, stamp: Stamp) -> CriterionRow:
    decisive = result.decisive
    open_ = [value for value in result.positions if value.outcome is not Outcome.PASS]
    to_pass = dict.fromkeys(_to_pass(value) for value in open_)
    source = result.source + (" ‡" if result.confirm else "")
    return CriterionRow(
        outcome=result.outcome,
        word=OUTCOMES[result.outcome],
        title=TITLES[result.criterion],
        measured=tuple(_position(result.criterion, value, job) for value in result.positions),
        when="" if decisive.at is None else _when(result.criterion, stamp(decisive.at)),
        limit="" if decisive.limit is None else _limit(result.criterion, decisive.limit),
        source=source,
        to_pass=tuple(to_pass),
        earliest="" if result.earliest is None else stamp(result.earliest),
    )


def _when(criterion: Criterion, time: str) -> str:
    if criterion in (C.HELD, C.SERVICE, C.HEATING, C.EQUILIBRATION):
        return f"since {time}"
    return time


def _to_pass(value: PositionValue) -> str:
    limit = "" if value.limit is None else shown(value.limit)
    accepted = ""
    if value.limit is not None and value.limit.u is not None:
        accepted = f"{value.limit.value - value.limit.u:.1f} {value.limit.unit}"
    return _TO_PASS[value.reason].format(limit=limit, accepted=accepted)


def _position(criterion: Criterion, value: PositionValue, job: JobFile) -> str:
    known = {location.id: location.label for location in job.locations}
    said = _measured(criterion, value)
    return f"{known[value.location]}: {said}" if value.location in known else said


def _measured(criterion: Criterion, value: PositionValue) -> str:
    if value.reason in _MEASURED:
        return _MEASURED[value.reason]
    if value.measured is None:
        plain = {C.REWETTING: "no rise", C.EQUILIBRATION: "moving"}
        return plain.get(criterion, "as it should be")
    text = shown(value.measured)
    if criterion is C.LIMIT and value.probability is not None:
        text = decided(value.measured)
        return f"{text}, {chance(value.probability)} to be under the limit"
    if criterion is C.EQUILIBRATION and value.reason is not R.STILL_MOVES:
        return f"{text} since sealing"
    if value.reason is R.STILL_MOVES:
        return f"moving by {text}"
    if criterion is C.CALIBRATION:
        when = "before use" if value.reason is R.CHECK_TOO_OLD_BEFORE_USE else "ago"
        return f"checked {text} {when}"
    return f"± {text}" if criterion is C.PROBE else text


def decided(quantity: Quantity) -> str:
    """A value that a limit decides on: one decimal, so that its reader can hold it against the accepted one."""
    doubt = "" if quantity.u is None else f" ± {2.0 * quantity.u:.1f}"
    return f"{quantity.value:.1f}{doubt} {quantity.unit}".replace("-", "−", 1)


def _limit(criterion: Criterion, limit: Quantity) -> str:
    text = shown(limit)
    if criterion is C.LIMIT and limit.u is not None:
        return f"{limit.value:g} {limit.unit}, less {limit.u:.1f} for the uncertainty"
    if criterion in (C.EQUILIBRATION, C.HELD, C.SERVICE, C.HEATING, C.POSITIONS):
        return f"{text} or more" if limit.unit in ("h", "1") else f"{text} at most"
    return f"{text} at most" if criterion is C.CALIBRATION else f"± {text}" if criterion is C.PROBE else text


def chance(probability: float) -> str:
    """A chance in words and number; never 0 or 100, since neither is known."""
    for limit, word in ((0.9, "very likely"), (0.6, "likely"), (0.4, "about even"), (0.1, "possible")):
        if probability >= limit:
            return f"{word} ({'> 99' if probability > 0.99 else f'{100 * probability:.0f}'} %)"
    return f"unlikely ({'< 1' if probability < 0.01 else f'{100 * probability:.0f}'} %)"


def shown(quantity: Quantity) -> str:
    """A quantity for people: spans rounded, others with ± of two standard uncertainties where there is one."""
    value, unit, u = quantity.value, quantity.unit, quantity.u
    if unit == "h":
        return f"{value:.0f} h" if value < 72 else f"{value / 24:.0f} days"
    if unit == "d":
        return f"{value:.0f} days"
    if unit == "1":
        return f"{value:.0f}"
    if unit == "mm":
        return f"{value:.0f} mm" if u is None else f"{value:.0f} ± {u:.0f} mm"
    if u is None or u <= 0.0:
        return f"{value:.1f} {unit}".replace("-", "−", 1)
    doubt = 2.0 * u
    first = floor(log10(doubt))
    decimals = max(0, -first + (1 if int(doubt / 10.0**first) == 1 else 0))
    return f"{value:.{decimals}f} ± {doubt:.{decimals}f} {unit}".replace("-", "−", 1)
