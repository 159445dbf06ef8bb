"""A method's rules for deciding that a slab or element is ready, as data: one file for each method and edition.

A rule that is absent is not asked. Each present rule names its source; `confirm` says that the value is to be confirmed
in the edition that the reader works to.
"""

from __future__ import annotations

from enum import StrEnum
from math import ceil
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readiness.slabs import ServiceConditions, Share
from monitord.model.readings import Identifier

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Method(StrEnum):
    """What is measured."""

    SLEEVE = "sleeve"
    """Relative humidity in sealed sleeves at a depth of the slab."""
    SURFACE_BOX = "surface_box"
    """Relative humidity under an insulated box sealed to the surface."""
    GOAL = "goal"
    """Any element against the goal that its location has."""


class Rule(BaseModel):
    """What every rule has."""

    model_config = _STRICT

    source: Annotated[str, Field(min_length=3, max_length=300)]
    """Document and clause, or `common practice`, or `our choice` with its reason."""
    confirm: bool = False
    """Confirm the value in the edition you work to."""


class DepthRule(Rule):
    """Depth of a sleeve as a share of the slab's thickness."""

    one_side_share: Share
    """Where the slab dries from one face. [-]"""
    two_sides_share: Share
    """Where it dries from both. [-]"""
    tolerance_share: Share
    """How far the depth may be from that. [share of the thickness]"""

    def wanted(self, drying_sides: int) -> float:
        """The share that is asked for."""
        return self.one_side_share if drying_sides == 1 else self.two_sides_share


class PositionsRule(Rule):
    """Number of positions by area."""

    first_count: Annotated[int, Field(ge=1)]
    """Positions for the first part of the area."""
    first_area_m2: Positive
    """That first part. [m²]"""
    further_count: Annotated[int, Field(ge=0)]
    """Positions more for each further part, a begun one included."""
    further_area_m2: Positive
    """Each further part. [m²]"""

    def wanted(self, area_m2: float) -> int:
        """How many positions an area asks for."""
        further = max(0.0, area_m2 - self.first_area_m2) / self.further_area_m2
        return self.first_count + self.further_count * ceil(round(further, 9))


class EquilibrationRule(Rule):
    """When a sealed position has come to equilibrium."""

    clock_h: Positive
    """Least time since sealing, or since it was last open. [h]"""
    max_rise_pct_per_day: Positive
    """Greatest rise in a day, cleaned of temperature: a sleeve that still fills reads too dry. [% RH]"""
    max_fall_pct_per_day: Positive
    """Greatest fall in a day, cleaned of temperature: drying itself is one. [% RH]"""


class ServiceRule(Rule):
    """The room as it will be used, for some time before the reading counts."""

    hours: Positive
    """For how long. [h]"""
    otherwise: ServiceConditions | None = None
    """What holds where the job does not say how the room will be used; none: the job must say."""


class CalibrationRule(Rule):
    """How old the probes' checks may be."""

    max_age_before_use_d: Positive | None = None
    """Greatest age of the check when the probe was put in its place; a later check counts too. [d]"""


class ProbeRule(Rule):
    """What the probes must be."""

    max_accuracy_pct: Positive | None = None
    """Greatest stated ± limit of the relative humidity; none: any. [% RH]"""


class LimitRule(Rule):
    """The value against its limit."""

    default_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    """Stands in where the covering's manufacturer's limit is not given; none: it must be given. [% RH]"""
    guard_factor: Annotated[float, Field(ge=0, le=3)]
    """Guard band in standard uncertainties (JCGM 106:2012, 8.3): 2 rejects a uncertain slab, 0 is simple acceptance.
    [-]"""
    mean_h: Positive
    """Averaging time of the value that counts. [h]"""


class HeldRule(Rule):
    """For how long the value must have been held under the limit."""

    hours: Positive
    """[h]"""


class HeatingRule(Rule):
    """Drying aids and floor heating off before the reading."""

    off_h: Positive
    """For how long they must have been off. [h]"""


class RewettingRule(Rule):
    """No position may be getting wet again."""


class Criteria(BaseModel):
    """The rules of one method in one edition."""

    model_config = _STRICT

    format: Literal[1] = 1
    """Version of this format."""
    id: Identifier
    """Id that a job names."""
    name: Annotated[str, Field(min_length=1, max_length=200)]
    """What people call it."""
    document: Annotated[str, Field(min_length=1, max_length=200)]
    """The published document."""
    edition: Annotated[str, Field(max_length=200)] = ""
    """Which edition."""
    method: Method
    """`sleeve`, `surface_box` or `goal`: what is measured."""
    about: Annotated[str, Field(max_length=600)] = ""
    """What one should know before choosing it."""
    limit: LimitRule
    """The value against its limit: every method has one."""
    depth: DepthRule | None = None
    """Depth of the sleeves."""
    positions: PositionsRule | None = None
    """Number of positions."""
    equilibration: EquilibrationRule | None = None
    """Clock and drift."""
    service: ServiceRule | None = None
    """The room as it will be used."""
    calibration: CalibrationRule | None = None
    """Age of the probes' checks."""
    probe: ProbeRule | None = None
    """What the probes must be."""
    held: HeldRule | None = None
    """How long the value must hold."""
    heating: HeatingRule | None = None
    """Drying aids off."""
    rewetting: RewettingRule | None = None
    """No position getting wet again."""

    @model_validator(mode="after")
    def _fits_method(self) -> Self:
        if self.method is not Method.SLEEVE and self.depth is not None:
            raise ValueError(f"a depth rule belongs to method sleeve, not to {self.method}; remove [depth]")
        if self.method is Method.GOAL and self.limit.default_pct is not None:
            raise ValueError("method goal takes its limit from each location's goal; remove limit.default_pct")
        if self.method is not Method.GOAL and self.equilibration is None:
            raise ValueError("a sealed position needs a clock; add [equilibration]")
        return self


def in_order(criteria: Criteria) -> tuple[tuple[str, Rule], ...]:
    """The rules that are asked, by name, in the order of the model."""
    found = ((name, getattr(criteria, name)) for name in Criteria.model_fields)
    return tuple((name, rule) for name, rule in found if isinstance(rule, Rule))
