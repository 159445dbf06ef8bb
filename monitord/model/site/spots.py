"""Spot readings: what a person measured by hand at a place, kept with the job beside what its probes report."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readings import Finite, Identifier, UtcTime


class SpotKind(StrEnum):
    """What was measured, with its unit in the name."""

    WOOD_MOISTURE = "wood_moisture_pct"
    """Moisture content of timber, by a pin meter or by weighing. [% of dry mass]"""
    SURFACE_TEMPERATURE = "surface_temperature_c"
    """Temperature of the cold surface at the place, by touch or by infrared. [°C]"""


_RANGES = {SpotKind.WOOD_MOISTURE: (1.0, 300.0, "% of dry mass"), SpotKind.SURFACE_TEMPERATURE: (-60.0, 95.0, "°C")}


class Spot(BaseModel):
    """One measurement by hand. The value stays as the instrument showed it; the correction applies on the way out."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    location_id: Identifier
    """Where it was measured."""
    at: UtcTime
    """When; it counts from then on."""
    kind: SpotKind
    """`wood_moisture_pct` or `surface_temperature_c`: what was measured, and in which unit."""
    value: Finite
    """What the instrument showed. [% of dry mass, or °C]"""
    correction: Finite = 0.0
    """Added to the value on the way out, for species, wood temperature and the instrument's own check together; 0
    where the instrument applied them, or where nothing is known. [as the value]"""
    corrected_for: Annotated[str, Field(max_length=120)] = ""
    """Wood: the species and temperature that the instrument was set to, or that the correction is for, such as
    `spruce, 8 °C`; empty: not corrected, and the value counts as less sure."""
    u: Annotated[float, Field(gt=0, le=30)] | None = None
    """Standard uncertainty (k = 1) of the corrected value; none: what is usual for its kind. [as the value]"""
    instrument: Annotated[str, Field(max_length=120)] = ""
    """What it was measured with."""
    by: Annotated[str, Field(max_length=120)] = ""
    """Who measured it."""
    note: Annotated[str, Field(max_length=500)] = ""
    """Where exactly, how deep, and what else matters."""

    @property
    def corrected(self) -> float:
        """The value with its correction."""
        return self.value + self.correction

    @model_validator(mode="after")
    def _possible(self) -> Self:
        low, high, unit = _RANGES[self.kind]
        if not (low <= self.value <= high and low <= self.corrected <= high):
            with_it = f", corrected {self.corrected:g}," if self.correction else ""
            raise ValueError(
                f"a {self.kind.value} of {self.value:g}{with_it} is not between {low:g} and {high:g} {unit}"
            )
        return self
