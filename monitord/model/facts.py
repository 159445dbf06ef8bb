"""What a finding or a state rests on: typed values with units and uncertainties, and never a sentence.

The sentences are made from these in `monitord.text`, in each language. A fact that is not known is None: the sentence
then leaves out what it would have said.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from monitord.model.quantity import Quantity
from monitord.model.readings import UtcTime


class Truth(StrEnum):
    """What is held of a condition; unknown is not false."""

    TRUE = "true"
    FALSE = "false"
    UNKNOWN = "unknown"

    @classmethod
    def of(cls, holds: bool | None) -> Truth:
        """True or false; None is unknown."""
        if holds is None:
            return cls.UNKNOWN
        return cls.TRUE if holds else cls.FALSE


class FindingKind(StrEnum):
    """The conditions that someone should hear of; each may raise one kind of alert."""

    CONDENSATION = "condensation"
    CONDENSATION_EXPECTED = "condensation_expected"
    MOULD = "mould"
    MOULD_CONDITIONS = "mould_conditions"
    WOOD_DECAY = "wood_decay"
    DRYING_STALLED = "drying_stalled"
    REWETTING = "rewetting"
    GOAL_UNREACHABLE = "goal_unreachable"
    DRIVE_LOST = "drive_lost"
    GOAL_REACHED = "goal_reached"
    EQUILIBRATED = "equilibrated"
    FORECAST_SLIPPING = "forecast_slipping"
    FREEZING = "freezing"
    OVERHEATING = "overheating"
    PROBE_SILENT = "probe_silent"
    GATEWAY_SILENT = "gateway_silent"
    PROBE_FAULT = "probe_fault"
    PROBES_DISAGREE = "probes_disagree"
    LOW_BATTERY = "low_battery"
    LOW_BATTERY_LEVEL = "low_battery_level"
    CALIBRATION_DUE = "calibration_due"
    UNPLACED_PROBE = "unplaced_probe"
    ASSESSMENT_BEHIND = "assessment_behind"
    DISK_NEARLY_FULL = "disk_nearly_full"
    UNDELIVERABLE = "undeliverable"
    MIRROR_STOPPED = "mirror_stopped"


class Cause(StrEnum):
    """Why a location makes no progress, where the readings show it."""

    AIR_HOLDS = "air_holds"
    """The present air holds it at or over its goal."""
    ROOM_MORE_HUMID = "room_more_humid"
    """The room air has become more humid than it was."""
    FED_FROM_BELOW = "fed_from_below"
    """Moisture comes in from the far side."""


class Fault(StrEnum):
    """What is wrong with a probe's readings."""

    RANGE = "range"
    STUCK = "stuck"
    NOISY = "noisy"
    SPIKES = "spikes"
    CLOCK_AHEAD = "clock_ahead"
    CLOCK_BEHIND = "clock_behind"
    LEFT_LOCATION = "left_location"
    DRIFT = "drift"
    OFFSET = "offset"
    SATURATED = "saturated"
    GAPS = "gaps"


class FaultReason(StrEnum):
    """What the readings of a probe show against it."""

    IMPOSSIBLE = "impossible"
    """Values that no working probe gives."""
    REPEATS = "repeats"
    """The same `value` exactly, for longer than this probe ever did."""
    LONE_VALUES = "lone_values"
    """`count` of them, far from both neighbours, within a day."""
    JITTERS = "jitters"
    """By `value` from reading to reading."""
    CLOCK_AHEAD = "clock_ahead"
    """By `value`."""
    CLOCK_BEHIND = "clock_behind"
    FOLLOWS_ROOM = "follows_room"
    """Its vapour pressure moved by `value` within two hours, and it follows the room air since."""
    DRIER_THAN_ALL = "drier_than_all"
    """For `count` days drier than the air on any side was within a week."""
    JUMPED = "jumped"
    """By `value` within two hours, and stays there."""
    STANDS_HIGH = "stands_high"
    """At `value` through `count` hours of changing temperature."""
    JUMPED_HIGH = "jumped_high"
    """To `value` within two hours, and stands there."""
    FALLS_FASTER = "falls_faster"
    """By `value` a day where it fell by `before`."""
    LOSES_READINGS = "loses_readings"
    """The share `value` of the last day's, in `count` gaps."""


class FaultFacts(BaseModel):
    """Why readings of a probe are flagged."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    reason: FaultReason
    value: Quantity | None = None
    before: Quantity | None = None
    count: int | None = None


class SurfaceKind(StrEnum):
    """Which cold surface is meant; the value is what it is called in code and documents."""

    SURFACE = "surface"
    COLD_LEAF = "cold leaf"
    COLD_UNDERSIDE = "cold underside"


class Material(StrEnum):
    """Material of a location, as far as a sentence names it."""

    VERY_SENSITIVE = "very_sensitive"
    SENSITIVE = "sensitive"
    MEDIUM_RESISTANT = "medium_resistant"
    RESISTANT = "resistant"
    CONCRETE = "concrete"
    TIMBER = "timber"


class Growth(StrEnum):
    """How far mould could be by the model's index."""

    EARLY = "early"
    """Index 1: seen with a microscope."""
    VISIBLE = "visible"
    """Index 3: seen with the eye."""


class Facts(BaseModel):
    """The facts of one finding or one state; what is not known, or does not apply, is None.

    `value` is always what the condition or state is about, in its own unit, as of now.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    value: Quantity | None = None
    """What it is about: the goal's metric, the air's temperature, the mould index, the battery's voltage ..."""
    at: UtcTime | None = None
    """Time of the value, where it is not that of the assessment (the last reading of a silent probe)."""
    since: UtcTime | None = None
    """Since when it holds; never before the first reading."""
    before: Quantity | None = None
    """What the value was, where it changed."""
    before_at: UtcTime | None = None
    expected: Quantity | None = None
    """What its own drying curve would have given by now."""
    goal: Quantity | None = None
    """The limit at or under which drying is complete."""
    rate: Quantity | None = None
    """Change of the value a day; below 0 it dries."""
    end: Quantity | None = None
    """Where the present air holds it, or where it levels off."""
    low: UtcTime | None = None
    """Goal date: early end of the 80 % interval."""
    middle: UtcTime | None = None
    high: UtcTime | None = None
    """Late end; None beside a `low`: no latest date can be given."""
    never: bool | None = None
    """The goal is not reached in this air within a year."""
    cause: Cause | None = None
    dehumidifier_out_at: UtcTime | None = None
    """When the room's last dehumidifier was taken out, where that may bear on the cause."""
    chance: Annotated[float, Field(ge=0, le=1)] | None = None
    """That it is so, or will be. Only where it is a real probability; never on a yes/no finding."""
    surface: SurfaceKind | None = None
    surface_temperature: Quantity | None = None
    dew_point: Quantity | None = None
    """Below 0 °C the frost point."""
    margin: Quantity | None = None
    """Surface temperature minus dew point. [K]"""
    start: UtcTime | None = None
    """When what is expected begins."""
    until: UtcTime | None = None
    """When it ends."""
    possibly_from: UtcTime | None = None
    material: Material | None = None
    growth: Growth | None = None
    sealed_h: float | None = None
    """Hours since a sleeve was sealed. [h]"""
    needed_h: float | None = None
    """Hours that its standard asks for. [h]"""
    recorded_d: float | None = None
    """Days of readings so far. [d]"""
    measured_at: UtcTime | None = None
    """When a person last measured what is otherwise estimated."""
    earlier_made_at: UtcTime | None = None
    """When the forecast was made that a later one is held against."""
    earlier_low: UtcTime | None = None
    earlier_high: UtcTime | None = None
    check: Quantity | None = None
    """Expanded uncertainty (k = 2) of a check of the probe that would gain something. [% RH]"""
    date_span_s: float | None = None
    """Length of the 80 % interval of the goal date, where such a check would narrow it. [s]"""
    checked_span_s: float | None = None
    """Length that is expected after it. [s]"""
    check_settles: Annotated[float, Field(ge=0, le=1)] | None = None
    """Probability that it would settle whether the location is at its goal, where that is open."""
    being_computed: bool | None = None
    """The verdict is being worked out anew from the readings, after a restart."""
    fault: Fault | None = None
    excluded: bool | None = None
    """Whether the readings are out of every verdict meanwhile."""
    interval_s: float | None = None
    """How often a reading is due. [s]"""
    age_s: float | None = None
    """How long nothing came, or how long work waits. [s]"""
    probes: int | None = None
    counting_probe: str | None = None
    """Of two probes at one location the one whose readings count."""
    other_probe: str | None = None
    count: int | None = None
    due: UtcTime | None = None
    signed_off_at: UtcTime | None = None
    """The location's element stands signed off as ready, on what was known by then."""
    signed_off_by: str | None = None
    outdoor_known: bool | None = None
    """Whether the weather could be told from water: an outdoor probe reported."""


NONE = Facts()
