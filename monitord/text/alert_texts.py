"""Every kind of alert in English: headline, opening, key figure, closing, why it matters, what to check first.

Each text is a list of variants, from the richest to the poorest: the first whose slots are all known is said. The keys
of the translations are these texts.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitord.model.assessments import State
from monitord.model.facts import FindingKind
from monitord.text.states import SENTENCES

ELECTRICITY = "Isolate the supply before touching wet electrics; if its board is wet, call an electrician."
STRUCTURE = "Keep off sodden floors, out from under sodden ceilings."
MOULD = "Mould possible: don't disturb, wear protection, keep others out."
ASBESTOS = "Have asbestos ruled out before drilling or lifting."


@dataclass(frozen=True)
class AlertTexts:
    """The texts of one kind of alert."""

    words: str
    """Headline, before the location."""
    opening: tuple[str, ...]
    """What was found when it opened."""
    key: tuple[str, ...]
    """The figures that it is followed by, with what they are held against."""
    closing: tuple[str, ...]
    """What ends it; limit and hold time are the rule's."""
    why: str
    first: str
    """The first thing to check, one imperative; some causes ask for another (`alerts.steps`)."""
    then: str
    """What to look at after it."""
    cautions: tuple[str, ...] = ()

    @property
    def figure(self) -> tuple[str, ...]:
        """The key figures alone, where their time and what they are held against are said beside them."""
        beside = ("{goal}", "{before}", "{window}", ", {at}")
        return tuple(text for text in self.key if not any(slot in text for slot in beside))


_NOT_KNOWN = "Not known."
_AS_STALLED = (*SENTENCES[State.STALLED][:4], *SENTENCES[State.NOT_DRYING][:1], *SENTENCES[State.STALLED][4:])
_SIGNED_OFF = " After sign-off on {signed_off_day} by {signed_off_by}."
_AS_REWETTING = (
    *(f"{text} Source not known.{_SIGNED_OFF}" for text in SENTENCES[State.REWETTING]),
    *(f"{text} Source not known." for text in SENTENCES[State.REWETTING]),
)

TEXTS: dict[FindingKind, AlertTexts] = {
    FindingKind.CONDENSATION: AlertTexts(
        words="Condensation likely",
        opening=(
            "{surface} {surface_temperature}, {dew}; condensation {likely} ({chance}) since {since}.",
            "{surface} {surface_temperature}, {dew}; condensation {likely} ({chance}).",
            "Condensation {likely} ({chance}) since {since}.",
            "Condensation {likely} ({chance}).",
            _NOT_KNOWN,
        ),
        key=("{chance}, margin {margin}", "{chance}", "margin {margin}", "not known"),
        closing=("chance < {limit} for {hold}", "chance < {limit}", "no longer likely"),
        why="Water settles and wets it; mould can follow.",
        first="Dehumidify.",
        then="Tank, doors; ventilate only if outdoors is drier; then warm the surface.",
        cautions=(ELECTRICITY, MOULD),
    ),
    FindingKind.CONDENSATION_EXPECTED: AlertTexts(
        words="Condensation ahead",
        opening=(
            "Condensation {likely} ({chance}) {window}, possibly from {possibly_from}; margin then {margin}.",
            "Condensation {likely} ({chance}) {window}; margin then {margin}.",
            "Condensation {likely} ({chance}) {window}.",
            "Condensation {likely} ({chance}) about {at}; margin then {margin}.",
            "Condensation {likely} ({chance}) in the hours ahead.",
            _NOT_KNOWN,
        ),
        key=("{chance}, {window}", "{chance}, {at}", "{chance}", "not known"),
        closing=("chance < {limit} for {hold}", "chance < {limit}", "no longer likely"),
        why="There is time to prevent it.",
        first="Dehumidify before then.",
        then="Or gentle heat at the cold side.",
        cautions=(ELECTRICITY,),
    ),
    FindingKind.MOULD: AlertTexts(
        words="Mould conditions",
        opening=(
            "Model index {value} of 6 on {material}, 1 about {start_day}: conditions for {growth}.",
            "Model index {value} of 6 on {material}: conditions for {growth}.",
            "Model index {value} of 6: conditions for {growth}.",
            "Model index {value} of 6.",
            _NOT_KNOWN,
        ),
        key=("index {value}", "not known"),
        closing=("index < {limit} for {hold}", "index < {limit}", "conditions over"),
        why="Mould harms health and finishes.",
        first="Inspect the surface.",
        then="Cold, unheated, wet behind?",
        cautions=(MOULD, ASBESTOS),
    ),
    FindingKind.MOULD_CONDITIONS: AlertTexts(
        words="Humid enough for mould",
        opening=(
            "Surface RH {value}, mean of 7 days: mould can grow in weeks, whatever the model's index says.",
            _NOT_KNOWN,
        ),
        key=("{value}", "not known"),
        closing=("drier or colder for {hold}", "drier or colder"),
        why="Mould harms health and finishes.",
        first="Dry or warm the air there.",
        then="Cold, unheated, wet behind?",
        cautions=(MOULD, ASBESTOS),
    ),
    FindingKind.WOOD_DECAY: AlertTexts(
        words="Timber over 20 % MC",
        opening=(
            "Timber estimated at {value} (measured {measured_day}), over {raise_limit} since {since}.",
            "Timber estimated at {value}, over {raise_limit} since {since}.",
            "Timber estimated at {value}, over {raise_limit}.",
            "Timber estimated at {value}.",
            _NOT_KNOWN,
        ),
        key=("{value}", "not known"),
        closing=("< {limit} for {hold}", "< {limit}", "drier again"),
        why="20 % keeps a margin below decay (about 28 %).",
        first="Measure the timber.",
        then="Ends, underside; then the source.",
        cautions=(STRUCTURE, MOULD, ASBESTOS),
    ),
    FindingKind.DRYING_STALLED: AlertTexts(
        words="Drying stalled",
        opening=_AS_STALLED,
        key=("{value}, goal {goal}", "{value}", "not known"),
        closing=("no stall for {hold}", "no stall"),
        why="Time and energy without drying.",
        first="Check the dehumidifier.",
        then="Power, tank, hose, ice; doors, heating.",
        cautions=(ELECTRICITY,),
    ),
    FindingKind.REWETTING: AlertTexts(
        words="Getting wet again",
        opening=_AS_REWETTING,
        key=("{value}, was {before}", "{value}", "not known"),
        closing=("no rise for {hold}; source may remain", "no rise; source may remain"),
        why="New water undoes drying.",
        first="Look for a leak.",
        then="Pipes, traps, gutters, ground; then the probe's seal.",
        cautions=(ELECTRICITY, STRUCTURE, ASBESTOS),
    ),
    FindingKind.GOAL_UNREACHABLE: AlertTexts(
        words="Goal out of reach",
        opening=SENTENCES[State.OUT_OF_REACH],
        key=("{value}, goal {goal}", "{value}", "not known"),
        closing=("reachable for {hold}", "reachable"),
        why="Waiting won't do it.",
        first="Dry or warm the air.",
        then="Or agree another goal.",
        cautions=(ELECTRICITY,),
    ),
    FindingKind.DRIVE_LOST: AlertTexts(
        words="Room air more humid",
        opening=(
            "Vapour-pressure deficit {value}, usually {before}, since {since}; drying here slows.",
            "Vapour-pressure deficit {value}, usually {before}; drying here slows.",
            "Vapour-pressure deficit {value}; drying here slows.",
            "Drying here slows.",
        ),
        key=("{value}, was {before}", "{value}", "not known"),
        closing=("dehumidifier taken out on {dehumidifier_out}", "deficit back for {hold}", "deficit back"),
        why="Less difference, less drying.",
        first="Check the dehumidifier.",
        then="Windows, cooking, washing.",
        cautions=(ELECTRICITY,),
    ),
    FindingKind.GOAL_REACHED: AlertTexts(
        words="At goal",
        opening=SENTENCES[State.AT_GOAL],
        key=("{value}", "not known"),
        closing=("no longer clearly below goal",),
        why="Other locations may not be.",
        first="Confirm with a spot reading.",
        then="All locations, before machines go.",
    ),
    FindingKind.EQUILIBRATED: AlertTexts(
        words="Sleeve equilibrated",
        opening=(
            "{value} after {sealed} sealed, drift within limit.",
            "{value}, drift within limit.",
            "Drift within limit.",
        ),
        key=("{value}", "not known"),
        closing=("reopened or moving again",),
        why="It may now be judged.",
        first="Keep it sealed.",
        then="Opening it starts its clock again.",
    ),
    FindingKind.FORECAST_SLIPPING: AlertTexts(
        words="Dry date slipping",
        opening=(
            "{earlier_dates} forecast on {earlier_day}; now {dates}.",
            "{earlier_dates} forecast on {earlier_day}; now not before {low}.",
            "Now {dates}.",
            "The date keeps moving away.",
        ),
        key=("{dates}", "not before {low}", "not known"),
        closing=("steady for {hold}", "steady"),
        why="Slower than planned.",
        first="Find what changed.",
        then="Machines, heating, doors, weather.",
    ),
    FindingKind.FREEZING: AlertTexts(
        words="Frost risk",
        opening=("Room air {value} since {since}.", "Room air {value}.", _NOT_KNOWN),
        key=("{value}", "not known"),
        closing=("> {limit} for {hold}", "> {limit}", "warmer again"),
        why="Pipes burst; dehumidifiers ice up.",
        first="Check heating and windows.",
        then="Else drain pipes; no flame.",
        cautions=(ELECTRICITY,),
    ),
    FindingKind.OVERHEATING: AlertTexts(
        words="Too hot",
        opening=("Air {value} since {since}.", "Air {value}.", _NOT_KNOWN),
        key=("{value}", "not known"),
        closing=("< {limit} for {hold}", "< {limit}", "cooler again"),
        why="Timber splits, screed curls, machines fail.",
        first="Turn heaters down.",
        then="Check what stands close.",
        cautions=(ELECTRICITY,),
    ),
    FindingKind.PROBE_SILENT: AlertTexts(
        words="Probe silent",
        opening=(
            "{probe}: no reading since {at}; due every {interval}.",
            "{probe}: no reading since {at}.",
            "{probe}: no reading yet, placed {since}; due every {interval}.",
            "{probe}: no reading yet; due every {interval}.",
            "No reading.",
        ),
        key=("last {at}", "no reading yet"),
        closing=("reading received",),
        why="Not monitored is not dry.",
        first="Check battery and cover.",
        then="Then gateway.",
    ),
    FindingKind.GATEWAY_SILENT: AlertTexts(
        words="Gateway silent",
        opening=("Nothing since {at}; {probes} probes unmonitored.", "Nothing since {at}.", "Nothing received."),
        key=("{probes} probes", "not known"),
        closing=("data received",),
        why="Not monitored is not dry.",
        first="Check its power.",
        then="Then network, broker.",
    ),
    FindingKind.PROBE_FAULT: AlertTexts(
        words="Probe fault",
        opening=(
            "{probe}: {excluded_fault}; excluded since {since}.",
            "{probe}: {excluded_fault}; excluded.",
            "{probe}: {fault} since {since}.",
            "{probe}: {fault}.",
            "Readings not plausible.",
        ),
        key=("{fault}", "plausible"),
        closing=("plausible for {hold}", "plausible"),
        why="Excluded readings support no decision.",
        first="Check position and seal.",
        then="Compare with a good probe.",
    ),
    FindingKind.PROBES_DISAGREE: AlertTexts(
        words="Probes disagree",
        opening=(
            "{other_probe} is {value} off {counting_probe}, more than their accuracies allow; {counting_probe} counts.",
            "They differ by {value}, more than their accuracies allow.",
            "They differ by more than their accuracies allow.",
        ),
        key=("{value} apart", "not known"),
        closing=("in agreement for {hold}", "in agreement"),
        why="One is wrong; which one is not known.",
        first="Check both over a salt.",
        then="Or beside a third probe.",
    ),
    FindingKind.LOW_BATTERY: AlertTexts(
        words="Battery low",
        opening=("{probe}: {value}.", "{value}.", "Battery low."),
        key=("{value}", "not known"),
        closing=("> {limit} for {hold}", "> {limit}", "battery replaced"),
        why="It will fall silent.",
        first="Replace the battery.",
        then="Note the time: a gap is no fault.",
    ),
    FindingKind.LOW_BATTERY_LEVEL: AlertTexts(
        words="Battery level low",
        opening=("{probe}: {value}.", "{value}.", "Battery low."),
        key=("{value}", "not known"),
        closing=("> {limit} for {hold}", "> {limit}", "battery replaced"),
        why="It will fall silent.",
        first="Replace the battery.",
        then="Note the time: a gap is no fault.",
    ),
    FindingKind.CALIBRATION_DUE: AlertTexts(
        words="Calibration check due",
        opening=("{probe}: checked {measured_day}, due {due_day}.", "{probe}: due {due_day}.", "Check due."),
        key=("due {due_day}", "due"),
        closing=("check recorded",),
        why="Results may not be accepted.",
        first="Check over a salt.",
        then="Or beside a checked probe.",
    ),
    FindingKind.UNPLACED_PROBE: AlertTexts(
        words="Unplaced probe",
        opening=("{probe} reports; no location.", "A probe reports; no location."),
        key=("{probe}", "a probe"),
        closing=("placed or silent",),
        why="Readings not used.",
        first="Place it.",
        then="With its true start time.",
    ),
    FindingKind.ASSESSMENT_BEHIND: AlertTexts(
        words="Assessment late",
        opening=("{age} behind.", "Behind."),
        key=("{age} behind", "behind"),
        closing=("< {limit} behind", "up to date"),
        why="Alerts may be late.",
        first="See the server log.",
        then="Then load and memory.",
    ),
    FindingKind.DISK_NEARLY_FULL: AlertTexts(
        words="Disk nearly full",
        opening=("{value} free.", "Nearly full."),
        key=("{value} free", "not known"),
        closing=("> {limit} free", "space freed"),
        why="Full, it stores nothing.",
        first="Free space.",
        then="Old backups and logs on that disk.",
    ),
    FindingKind.UNDELIVERABLE: AlertTexts(
        words="Messages not delivered",
        opening=("{count} in 24 h.", "Messages given up."),
        key=("{count} in 24 h", "not known"),
        closing=("none in 24 h",),
        why="Someone was not told.",
        first="Phone them.",
        then="Then test the channel.",
    ),
    FindingKind.MIRROR_STOPPED: AlertTexts(
        words="Copy to InfluxDB stopped",
        opening=("Nothing taken since {since}.", "Nothing taken."),
        key=("nothing taken since {since}", "nothing taken"),
        closing=("readings are taken again",),
        why="Dashboards there show old values.",
        first="Run monitord doctor.",
        then="Nothing is lost: it catches up.",
    ),
}

MESSAGES = (
    *(
        text
        for texts in TEXTS.values()
        for text in (
            texts.words,
            *texts.opening,
            *texts.key,
            *texts.closing,
            texts.why,
            texts.first,
            texts.then,
            *texts.cautions,
        )
    ),
)
