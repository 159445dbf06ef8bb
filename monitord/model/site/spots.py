"""Spot readings: what a person measured by hand at a location, kept with the job beside what its probes report."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Annotated, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readings import Finite, Identifier, UtcTime

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class SpotKind(StrEnum):
    """What was measured, with its unit in the name."""

    WOOD_MOISTURE = "wood_moisture_pct"
    """Moisture content of timber, by a pin meter or by weighing. [% of dry mass]"""
    SURFACE_TEMPERATURE = "surface_temperature_c"
    """Temperature of the cold surface at the location, by touch or by infrared. [°C]"""
    RELATIVE_HUMIDITY = "relative_humidity_pct"
    """Relative humidity of the air there, by a hand-held hygrometer. [% RH]"""
    WOOD_EQUIVALENT = "wme_pct"
    """A meter's wood scale on another material: a number to compare with a control, no moisture content. [% WME]"""
    PLASTER = "plaster_pct"
    """A meter's scale for plaster and gypsum; to compare with a control read by the same meter. [% on that scale]"""
    CONCRETE = "concrete_impedance_pct"
    """An impedance meter's scale for concrete (ASTM F2659); to compare, it says little of the depth. [% on it]"""


class Scale(NamedTuple):
    """Unit of a kind of spot reading, and what is possible on it."""

    unit: str
    low: float
    high: float
    compares: bool
    """Whether it is a scale of an instrument: to compare with a control, and no property of the material."""


SCALES = {
    SpotKind.WOOD_MOISTURE: Scale("% MC", 1.0, 300.0, False),
    SpotKind.SURFACE_TEMPERATURE: Scale("°C", -60.0, 95.0, False),
    SpotKind.RELATIVE_HUMIDITY: Scale("% RH", 0.0, 100.0, False),
    SpotKind.WOOD_EQUIVALENT: Scale("% WME", 0.0, 100.0, True),
    SpotKind.PLASTER: Scale("% plaster", 0.0, 100.0, True),
    SpotKind.CONCRETE: Scale("% concrete", 0.0, 100.0, True),
}
"""The last two units name the scale of the meter, since a bare % would be taken for moisture content."""
_IN_MESSAGES = {
    SpotKind.WOOD_MOISTURE: "% of dry mass",
    SpotKind.PLASTER: "% on the plaster scale",
    SpotKind.CONCRETE: "% on the concrete scale",
}
SPOT_GOAL_SOURCE = "The job's goal (PAS 64:2013, goals verified; S500-2021, dry standard from like material)"
"""What a verdict names as the source of a goal by spot readings."""
SAME_DAY = timedelta(hours=24)
"""How far apart a reading and that of its control may be taken (our choice)."""
_GUARD = 2.0
"""Standard uncertainties that a reading must lie below its goal, where its uncertainty is stated (JCGM 106:2012)."""


class Spot(BaseModel):
    """One measurement by hand. The value stays as the instrument showed it; the correction applies on the way out."""

    model_config = _STRICT

    location_id: Identifier
    """Where it was measured."""
    at: UtcTime
    """When; it counts from then on."""
    kind: SpotKind
    """What was measured, and in which unit."""
    value: Finite
    """What the instrument showed. [% of dry mass, °C, % RH, or % of the instrument's scale]"""
    correction: Finite = 0.0
    """Added to the value on the way out, for species, wood temperature and the instrument's own check together; 0
    where the instrument applied them, or where nothing is known. [as the value]"""
    corrected_for: Annotated[str, Field(max_length=120)] = ""
    """Wood: the species group and temperature that the instrument was set to, or that the correction is for, such as
    `spruce, 8 °C`; empty: not corrected, and the value counts as less sure."""
    u: Annotated[float, Field(gt=0, le=30)] | None = None
    """Standard uncertainty (k = 1) of the corrected value; none: what is usual for its kind. [as the value]"""
    depth_mm: Annotated[float, Field(gt=0, le=2000)] | None = None
    """How deep below the surface; none: at the surface, or not known. [mm]"""
    instrument: Annotated[str, Field(max_length=120)] = ""
    """What it was measured with."""
    by: Annotated[str, Field(max_length=120)] = ""
    """Who measured it."""
    note: Annotated[str, Field(max_length=500)] = ""
    """Where exactly, and what else matters."""

    @property
    def corrected(self) -> float:
        """The value with its correction."""
        return self.value + self.correction

    @model_validator(mode="after")
    def _possible(self) -> Self:
        scale = SCALES[self.kind]
        low, high, unit = scale.low, scale.high, _IN_MESSAGES.get(self.kind, scale.unit)
        if not (low <= self.value <= high and low <= self.corrected <= high):
            with_it = f", corrected {self.corrected:g}," if self.correction else ""
            raise ValueError(
                f"a {self.kind.value} of {self.value:g}{with_it} is not between {low:g} and {high:g} {unit}"
            )
        return self


class SpotGoal(BaseModel):
    """What ends the drying of a location by spot readings: a value, or a distance from a control on the same scale."""

    model_config = _STRICT

    kind: SpotKind
    """Which readings are held against it; not `surface_temperature_c`."""
    limit: Annotated[float, Field(ge=0, le=300)]
    """Met at or under it; with a control, at most this much over the control. [as the readings]"""
    control: Identifier | None = None
    """The location of the control, like material known to be dry; none: the limit is a value of its own."""

    @model_validator(mode="after")
    def _moisture(self) -> Self:
        if self.kind is SpotKind.SURFACE_TEMPERATURE:
            raise ValueError("a temperature is no goal of drying; choose a kind that measures moisture")
        return self


class SpotResult(NamedTuple):
    """The newest spot reading of a goal's kind against the goal."""

    spot: Spot | None
    """None: not measured yet."""
    control: Spot | None
    met: bool | None
    """None: can't be said."""
    why: str
    """Why it can't be said: `not_measured`, `no_control`, `other_instrument`, `within_uncertainty`; else empty."""


def assess_spots(goal: SpotGoal, series: Sequence[Spot], control: Sequence[Spot], as_of: datetime) -> SpotResult:
    """Hold the newest reading of a goal's kind against the goal.

    Instruments' scales are compared as shown, and with a control only where one instrument read both within a day: two
    meters differ by more than the goals are (common practice). A stated uncertainty counts against the reading.
    """
    spot = _newest(goal.kind, series, as_of)
    if spot is None:
        return SpotResult(None, None, None, "not_measured")
    if goal.control is None:
        return _held(spot, None, spot.corrected, spot.u or 0.0, goal)
    near = [one for one in control if one.kind is goal.kind and abs(one.at - spot.at) <= SAME_DAY and one.at <= as_of]
    if not near:
        return SpotResult(spot, None, None, "no_control")
    same = [one for one in near if one.instrument == spot.instrument]
    if not same:
        return SpotResult(spot, near[-1], None, "other_instrument")
    beside = min(same, key=lambda one: abs(one.at - spot.at))
    u = ((spot.u or 0.0) ** 2 + (beside.u or 0.0) ** 2) ** 0.5
    return _held(spot, beside, spot.corrected - beside.corrected, u, goal)


def _held(spot: Spot, control: Spot | None, value: float, u: float, goal: SpotGoal) -> SpotResult:
    if value > goal.limit:
        return SpotResult(spot, control, False, "")
    met = value + _GUARD * u <= goal.limit
    return SpotResult(spot, control, True if met else None, "" if met else "within_uncertainty")


def _newest(kind: SpotKind, spots: Sequence[Spot], as_of: datetime) -> Spot | None:
    return max((one for one in spots if one.kind is kind and one.at <= as_of), key=lambda one: one.at, default=None)
