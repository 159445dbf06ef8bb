"""What the readings mean: everything computed for a job as of one time.

An assessment is never stored as truth: it can be computed again from what is stored. `Finding` is one condition
of it that someone should hear of, with a numeric value that the alert rules hold against their limits.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, NamedTuple

from pydantic import BaseModel, ConfigDict, Field

from monitord.model.damage import Caution, MouldRisk, NightAhead, Ventilation, WoodMoisture
from monitord.model.damage import SurfaceSource as SurfaceSource  # noqa: PLC0414  kept importable from here
from monitord.model.facts import Facts as Facts  # noqa: PLC0414  kept importable from here
from monitord.model.facts import FaultFacts, FindingKind, SurfaceKind, Truth
from monitord.model.quantity import Quantity as Quantity  # noqa: PLC0414  kept importable from here
from monitord.model.readiness.verdict import Readiness
from monitord.model.readings import UtcTime

_FROZEN = ConfigDict(frozen=True, extra="forbid")


class State(StrEnum):
    """What a location is doing; the first that fits, in this order (but for a goal met before the third day)."""

    NO_DATA = "no_data"
    """No usable reading: silent, or excluded."""
    REWETTING = "rewetting"
    SETTLING = "settling"
    """A sealed sleeve, too early for a prediction."""
    EQUILIBRATING = "equilibrating"
    """A sealed sleeve with a prediction that is no result yet."""
    TOO_EARLY = "too_early"
    AT_GOAL = "at_goal"
    STALLED = "stalled"
    """No progress, and the cause is seen."""
    OUT_OF_REACH = "out_of_reach"
    """Not at its goal within a year in this air."""
    NOT_DRYING = "not_drying"
    """Rising; the cause is not known."""
    NO_CLEAR_TREND = "no_clear_trend"
    """The rate is within its uncertainty."""
    DRYING_SLOWLY = "drying_slowly"
    DRYING = "drying"
    RECORDED_ONLY = "recorded_only"
    """No goal of its own (room and outdoor air, controls)."""


class Flow(StrEnum):
    """Which way vapour is driven between a location and the air it is compared with."""

    OUT_OF = "out_of"
    """From the location into the compared air: it can dry that way."""
    INTO = "into"
    """From the compared air into the location."""
    NO_CLEAR_DIFFERENCE = "no_clear_difference"
    UNKNOWN = "unknown"


class DepthVerdict(StrEnum):
    """What two depths of a slab tell about where its moisture comes from."""

    PREDICTION = "prediction"
    """Not every sleeve is equilibrated: a prediction, no verdict."""
    NO_CLEAR_DIFFERENCE = "no_clear_difference"
    SHALLOWER_WETTER = "shallower_wetter"
    """Moisture came from this side."""
    CORE_WET = "core_wet"
    """The slab dries to both sides and its core is still wet."""
    DEEPER_WETTER = "deeper_wetter"
    """Moisture comes from behind, or the core is still wet."""


class FarSide(StrEnum):
    """Whether water still comes in from the far side of a slab, by how its sleeves move."""

    TOO_EARLY = "too_early"
    """A week more of readings is needed."""
    DEEP_RISES = "deep_rises"
    """The deep sleeve gets wetter while it loses to the shallow one: it is fed."""
    DEEP_FALLS = "deep_falls"
    """It is not fed."""
    DEEP_HOLDS = "deep_holds"
    """The shallow one falls and the deep one has not: perhaps fed, or the drying has not reached it yet."""
    NEITHER_FALLS = "neither_falls"
    """Neither falls though usual concrete would: it is fed."""
    NOT_CLEAR = "not_clear"


class DepthComparison(BaseModel):
    """A sleeve against another depth of its slab, both brought to one temperature."""

    model_config = _FROZEN

    verdict: DepthVerdict
    moisture: Quantity
    """Humidity of this sleeve at that temperature. [% RH]"""
    other: Quantity
    """That of the other depth; the mean where it has several sleeves. [% RH]"""
    depth: Quantity
    """[mm]"""
    other_depth: Quantity
    """[mm]"""
    other_sleeves: int
    deeper_excess: Quantity
    """The deeper one minus the shallower one. [% RH]"""
    brought_to: Quantity
    """The temperature that both are brought to. [°C]"""
    far_side: FarSide | None = None
    """None: not asked, or not known for this slab."""
    deep_rate: Quantity | None = None
    """Change of the deep sleeve a day. [% RH/day]"""
    rate_days: int | None = None
    expected_loss: Quantity | None = None
    """What usual concrete would lose there a day if nothing came in behind. [% RH]"""


class Comparison(BaseModel):
    """A location against one other air, on readings of the same time."""

    model_config = _FROZEN

    against: str
    """Location id of the other air."""
    role: str
    """`room`, `outdoors`, `reference` or `depth`."""
    at: UtcTime | None
    """Time of the compared readings."""
    vapour_pressure_difference: Quantity | None
    """Location minus other. [Pa]"""
    humidity_ratio_difference: Quantity | None
    """Location minus other. [g/kg dry air]"""
    flow: Flow
    depths: DepthComparison | None = None
    """Of role `depth`: what the two depths of the slab tell."""


class SourceReason(StrEnum):
    """What the vapour pressures of a cavity or void, of its room and of the outdoor air show together."""

    TOO_FEW_HOURS = "too_few_hours"
    ABOVE_BOTH = "above_both"
    BETWEEN = "between"
    """Above the outdoor air, below the room's."""
    AS_ROOM = "as_room"
    ABOVE_ROOM = "above_room"
    """Above the room air and not above the outdoor air."""
    BELOW_BOTH = "below_both"
    AS_OUTDOORS = "as_outdoors"
    NOT_ABOVE = "not_above"
    """Above neither."""
    ABOVE_ROOM_ALONE = "above_room_alone"
    """Above the room air; the outdoor air was not measured."""
    ABOVE_OUTDOORS_ALONE = "above_outdoors_alone"
    """Above the outdoor air; the room air was not measured."""
    NOT_ABOVE_ROOM_ALONE = "not_above_room_alone"
    NOT_ABOVE_OUTDOORS_ALONE = "not_above_outdoors_alone"


class SourceKind(StrEnum):
    """Where a cavity's or void's vapour comes from, by the airs on both its sides."""

    FROM_INSIDE = "from_inside"
    FROM_OUTSIDE = "from_outside"
    FROM_CONSTRUCTION = "from_construction"
    """More than both airs: the construction itself gives it off."""
    NO_EXCESS = "no_excess"
    UNKNOWN = "unknown"


class MoistureSource(BaseModel):
    """A cavity or void against the room and the outdoor air over the last days."""

    model_config = _FROZEN

    kind: SourceKind
    reason: SourceReason
    hours: int
    """Hours of the last days with readings of all the airs compared."""
    over_room: Quantity | None = None
    """Mean vapour pressure above the room air's. [Pa]"""
    over_outdoors: Quantity | None = None
    """Mean vapour pressure above the outdoor air's. [Pa]"""


class SurfaceRisk(BaseModel):
    """A cold surface against the air that touches it."""

    model_config = _FROZEN

    at: UtcTime
    source: SurfaceSource
    what: SurfaceKind = SurfaceKind.SURFACE
    surface_temperature: Quantity
    dew_point: Quantity
    margin: Quantity
    """Surface temperature minus dew point. [K]"""
    surface_rh: Quantity
    probability: float
    """That the surface is at or below the dew point, 0..1."""
    hours_at_risk: float
    """Hours of the last 24 with condensation more likely than not. [h]"""
    level: str
    """`none`, `watch`, `warn` or `act`."""
    since: UtcTime | None = None
    """Since when it has been condensing more likely than not; None: it is not."""


class QualityFlag(BaseModel):
    """A time during which a probe's readings are out of every verdict, and why."""

    model_config = _FROZEN

    kind: str
    probe: str
    start: UtcTime
    end: UtcTime | None
    """None: it still holds."""
    why: FaultFacts


class Equilibrium(BaseModel):
    """Where a sealed sleeve is heading."""

    model_config = _FROZEN

    state: str
    """`settling`, `equilibrating` or `equilibrated`."""
    predicted_rh: float | None
    low: float | None
    high: float | None
    clock_started: UtcTime | None


class Drying(BaseModel):
    """Progress of a location towards its goal."""

    model_config = _FROZEN

    metric: str
    unit: str
    limit: float
    value: Quantity | None
    start_value: float | None
    rate_per_day: Quantity | None
    """Change of the metric per day; negative is drying."""
    since: UtcTime | None = None
    """Since when the state holds."""


class Forecast(BaseModel):
    """When the goal will be met: centre and ends of an 80 % interval; None with `never` is never in this air."""

    model_config = _FROZEN

    made_at: UtcTime
    low: UtcTime | None
    middle: UtcTime | None
    high: UtcTime | None
    never: bool
    """Middle is never."""
    high_never: bool
    never_probability: float | None = None
    """Where known: probability that the goal is never met in this air; the dates are for the case that it is."""


class Finding(BaseModel):
    """One condition of an assessment that someone should hear of: its kind, whether it holds, and its facts.

    Either the analysis decides, then `truth` is given; or the limits of the rule for `kind` do, then `value` is held
    against them and `truth` is None. Unknown (`Truth.UNKNOWN`, or no value: a silent or excluded probe) holds an
    alert's state and never satisfies anything. What people read is made of the facts in `monitord.text`.
    """

    model_config = _FROZEN

    kind: FindingKind
    location: str | None = None
    probe: str | None = None
    measured_at: UtcTime
    """Time that the finding speaks of; hold times run on it."""
    truth: Truth | None = None
    value: float | None = None
    unit: str = ""
    u: float | None = None
    """Standard uncertainty of the value."""
    readings: Annotated[int, Field(ge=0)] = 0
    """How many readings it rests on."""
    since: UtcTime | None = None
    """When the condition began, if the analysis can tell; where it does not hold, since when it has not."""
    interval_s: float | None = None
    """Nominal interval of the readings behind it: a slow probe's pace is no gap. [s]"""
    gateway: str | None = None
    """The gateway that the probe last reported through, or that the finding is about."""
    facts: Facts = Facts()

    @property
    def holds(self) -> bool:
        """Whether the analysis itself says that it is so."""
        return self.truth is Truth.TRUE


class LocationAssessment(BaseModel):
    """Everything computed for one location as of one time."""

    model_config = _FROZEN

    location: str
    probe: str | None
    """The probe there now."""
    state: State
    facts: Facts = Facts()
    """What the state's sentence is made of; value, rate and dates are those of the same result."""
    last_reading_at: UtcTime | None
    temperature: Quantity | None = None
    relative_humidity: Quantity | None = None
    vapour_pressure: Quantity | None = None
    dew_point: Quantity | None = None
    humidity_ratio: Quantity | None = None
    comparisons: tuple[Comparison, ...] = ()
    source: MoistureSource | None = None
    """Cavities and voids: where their vapour comes from."""
    surface: SurfaceRisk | None = None
    night_ahead: NightAhead | None = None
    mould: MouldRisk | None = None
    wood: WoodMoisture | None = None
    cautions: tuple[Caution, ...] = ()
    """Frost, heat, and air that dries surfaces too fast."""
    equilibrium: Equilibrium | None = None
    drying: Drying | None = None
    forecast: Forecast | None = None
    flags: tuple[QualityFlag, ...] = ()


class SleeveCheckpoint(NamedTuple):
    """The ensemble of a sleeve as of the end of one of its days, to go on from instead of marching its days again."""

    end_s: float
    """End of that day. [s]"""
    digest: str
    """SHA-256 of all that it rests on, in hexadecimal: one that rests on anything else is as good as none."""
    content: bytes


class JobAssessment(BaseModel):
    """Everything computed for a job as of one time."""

    model_config = _FROZEN

    job: str
    as_of: UtcTime
    last_reading_at: UtcTime | None
    locations: tuple[LocationAssessment, ...]
    findings: tuple[Finding, ...]
    ventilation: tuple[Ventilation, ...] = ()
    """Advice for each room whose air and the outdoor air are measured."""
    readiness: tuple[Readiness, ...] = ()
    """The verdict on each slab, and on each other element that has a goal."""

    def at(self, location_id: str) -> LocationAssessment | None:
        """The assessment of one location, if it is there."""
        return next((location for location in self.locations if location.location == location_id), None)
