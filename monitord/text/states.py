"""States: the name of each, and its one sentence, from the facts of one result."""

from __future__ import annotations

from monitord.model.assessments import State, SurfaceRisk
from monitord.model.facts import Facts
from monitord.text.speaker import Speaker

TILE_LENGTH = 110
"""Characters that a sentence may have on a tile."""

NAMES = {
    State.NO_DATA: "No data",
    State.REWETTING: "Getting wet again",
    State.SETTLING: "Settling",
    State.EQUILIBRATING: "Equilibrating",
    State.TOO_EARLY: "Too early",
    State.AT_GOAL: "At goal",
    State.STALLED: "Stalled",
    State.OUT_OF_REACH: "Goal out of reach",
    State.NOT_DRYING: "Not drying",
    State.NO_CLEAR_TREND: "No clear trend",
    State.DRYING_SLOWLY: "Drying slowly",
    State.DRYING: "Drying",
    State.RECORDED_ONLY: "Recorded only",
}

SENTENCES: dict[State, tuple[str, ...]] = {
    State.NO_DATA: (
        "No usable reading since {at}; last {value}.",
        "No usable reading since {at}.",
        "{count} usable hours in the last 24: too few to judge.",
        "No usable reading yet.",
    ),
    State.REWETTING: (
        "{value}, its drying curve gives {expected}; {unexplained}.",
        "{value}, was {before} at {before_at}; {unexplained}.",
        "{value}, was {before}; {unexplained}.",
        "{value} and rising; {unexplained}.",
        "Rising; {unexplained}.",
    ),
    State.SETTLING: ("Sealed {sealed} ago; too soon to predict.", "Sealed; too soon to predict."),
    State.EQUILIBRATING: (
        "{over_h} h sealed and still moving; heading for {value}: a prediction, not a result.",
        "{sealed_h} of {needed_h} h sealed; heading for {value}: a prediction, not a result.",
        "Heading for {value}: a prediction, not a result.",
        "Not equilibrated yet; no prediction.",
    ),
    State.TOO_EARLY: (
        "{computed_value}; its drying is being worked out anew, which takes some minutes.",
        "{days} of 3 days recorded; trend from {start_day}.",
        "{days} of 3 days recorded.",
        "Fewer than 3 days recorded.",
    ),
    State.AT_GOAL: (
        "{value}, goal {goal}; met since {since}.",
        "{value}, goal {goal}; met.",
        "At goal since {since}.",
        "At goal.",
    ),
    State.STALLED: (
        "{value}; no progress since {since}, because {cause}.",
        "{value}; no progress since {since}, because {short_cause}.",
        "{value}; no lasting progress, because {cause}.",
        "No progress since {since}, because {cause}.",
        "{value}; no progress since {since}.",
        "{value}; no progress.",
        "No progress.",
    ),
    State.OUT_OF_REACH: (
        "{value}; {from_below}: not at {goal} within a year.",
        "{value}; in this air not at {goal} within a year, levels off near {end}.",
        "{value}; in this air not at {goal} within a year.",
        "In this air not at {goal} within a year.",
        "In this air not at its goal within a year.",
    ),
    State.NOT_DRYING: (
        "{value}, rising {rise} a day; cause not known.",
        "{value} and rising; cause not known.",
        "Rising; cause not known.",
    ),
    State.NO_CLEAR_TREND: (
        "{value}; {rate} a day is within its uncertainty. By its air at goal {timber_dates} (80 %).",
        "{value}; {rate} a day is within its uncertainty. Goal not before {low}.",
        "{value}; {rate} a day is within its uncertainty. The goal may be met {any_day}.",
        "{value}; {rate} a day is within its uncertainty.",
        "{value}; no clear trend. Goal not before {low}.",
        "{value}; no clear trend.",
        "No clear trend.",
    ),
    State.DRYING_SLOWLY: (
        "{value}, falling {fall} a day, normal for {material}; goal {dates} (80 %).",
        "{value}, falling {fall} a day, normal for {material}; goal not before {low}.",
        "{value}, falling {fall} a day, slowly; goal {dates} (80 %).",
        "{value}, falling {fall} a day, slowly; goal not before {low}, perhaps not in this air.",
        "{value}, falling {fall} a day, slowly; goal {any_day}, or perhaps not in this air.",
        "{value}, falling {fall} a day, slowly.",
        "{value}, falling slowly; goal {dates} (80 %).",
        "{value}, falling slowly.",
        "Falling slowly.",
    ),
    State.DRYING: (
        "{value}, falling {fall} a day; goal {dates} (80 %).",
        "{value}, falling {fall} a day; goal not before {low}, perhaps not in this air.",
        "{value}, falling {fall} a day; goal {any_day}, or perhaps not in this air.",
        "{value}, falling {fall} a day.",
        "{value}, falling; goal {dates} (80 %).",
        "{value}, falling.",
        "Falling.",
    ),
    State.RECORDED_ONLY: ("{value}; no goal set.", "No goal set."),
}

SURFACE = (
    "{surface}: {above_dew} above dew point.",
    "{surface}: {above_frost} above frost point.",
    "{surface}: condensation {likely} ({chance}).",
)
"""A cold surface, a subject of its own beside the state."""

CHECK = (
    "A check of the probe to ± {check} would settle whether it is at goal: {settles_likely} ({settles}).",
    "A check of the probe to ± {check} would narrow the goal's date from a span of {date_span} to {checked_span}.",
)
"""What the uncertainty of the probe costs, and what would reduce it: a line of its own; empty where it costs little."""

AWAITING = "Awaiting first assessment."

_MORE_LIKELY = 0.5
"""From this chance on the surface is told by its chance, below it by its margin (our choice)."""

MESSAGES = (*NAMES.values(), *(text for texts in SENTENCES.values() for text in texts), *SURFACE, *CHECK, AWAITING)


def state_name(speaker: Speaker, state: State) -> str:
    """A state in a word or two."""
    return speaker.text(NAMES[state])


def state_sentence(speaker: Speaker, state: State, facts: Facts) -> str:
    """What a tile says of a location: state, trend and date of one result."""
    return speaker.say(SENTENCES[state], speaker.slots(facts), TILE_LENGTH)


def check_sentence(speaker: Speaker, facts: Facts) -> str:
    """What a check of the probe would gain; empty where that is not worth saying."""
    return speaker.say(CHECK, speaker.slots(facts))


def surface_sentence(speaker: Speaker, risk: SurfaceRisk) -> str:
    """The second line of a tile: `Surface: condensation likely (72 %).`, or how far it is above the dew point."""
    above = None if risk.probability >= _MORE_LIKELY or risk.margin.value <= 0.0 else risk.margin
    facts = Facts(chance=risk.probability, surface=risk.what)
    point = "frost" if risk.dew_point.value < 0.0 else "dew"
    slots = speaker.slots(facts) | {f"above_{point}": speaker.amount(above)}
    return speaker.say(SURFACE, slots)
