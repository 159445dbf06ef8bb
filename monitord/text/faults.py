"""Why readings of a probe are flagged, after "because" or a comma: `repeats 84.2 % RH exactly, ...`."""

from __future__ import annotations

from monitord.model.facts import FaultFacts, FaultReason
from monitord.text import formats
from monitord.text.speaker import Speaker

R = FaultReason

REASONS = {
    R.IMPOSSIBLE: "values that no working probe gives",
    R.REPEATS: "repeats {value} exactly, which this probe did not do for so long before",
    R.LONE_VALUES: "{count} lone values far from both neighbours within 24 h",
    R.JITTERS: "its humidity jumps by {value} from reading to reading",
    R.CLOCK_AHEAD: "its clock is {value} ahead of the time its readings arrive",
    R.CLOCK_BEHIND: "its clock is {value} behind the time its readings arrive",
    R.FOLLOWS_ROOM: "within two hours its vapour pressure moved by {value}; it follows the room air since",
    R.DRIER_THAN_ALL: "for {count} days drier than the air on any side was within a week; nothing there takes vapour "
    "away",
    R.JUMPED: "jumped by {value} within two hours and stays there; nothing wet does that",
    R.STANDS_HIGH: "stands at {value} through {count} h of changing temperature",
    R.JUMPED_HIGH: "jumped to {value} within two hours and stands there",
    R.FALLS_FASTER: "falls by {value} a day where it fell by {before}; concrete slows down of its own",
    R.LOSES_READINGS: "{value} of its readings of the last day are lost, in {count} gaps",
}

MESSAGES = tuple(REASONS.values())

_WHOLE = frozenset({R.STANDS_HIGH, R.JUMPED_HIGH})


def fault_sentence(speaker: Speaker, why: FaultFacts) -> str:
    """Why readings are flagged, as the end of a sentence."""
    slots = {
        "value": _value(speaker, why),
        "before": speaker.amount(why.before),
        "count": None if why.count is None else str(why.count),
    }
    return speaker.say((REASONS[why.reason],), slots)


def _value(speaker: Speaker, why: FaultFacts) -> str | None:
    value = why.value
    if value is None:
        return None
    if value.unit == "s":
        return speaker.span(value.value)
    if value.unit == "1":
        return formats.bare(round(value.value, 2), "1", speaker.language)
    if why.reason in _WHOLE:
        return speaker.bare(value)
    return speaker.signed(value) if why.reason is R.JUMPED else speaker.amount(value)
