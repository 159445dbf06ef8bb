"""Slabs that are to take a covering: what a job file says of them."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readings import Finite, Identifier, UtcTime

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

Share = Annotated[float, Field(gt=0, lt=1)]


class Covering(BaseModel):
    """The covering that is to be laid. Its manufacturer's limit decides; no standard replaces it."""

    model_config = _STRICT

    name: Annotated[str, Field(max_length=200)] = ""
    """Covering and adhesive."""
    manufacturer: Annotated[str, Field(max_length=200)] = ""
    """Who makes it."""
    limit_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    """The manufacturer's limit; none: the default of the criteria stands in, and every page says so. [% RH]"""
    limit_source: Annotated[str, Field(max_length=200)] = ""
    """Where that limit is written, such as `data sheet of 2024-05, page 2`."""


class ServiceConditions(BaseModel):
    """The room as it will be used: the verdict asks for this air for some time before the reading counts."""

    model_config = _STRICT

    temperature_min_c: Finite
    """Lowest air temperature in use. [°C]"""
    temperature_max_c: Finite
    """Highest air temperature in use. [°C]"""
    humidity_min_pct: Annotated[float, Field(ge=0, le=100)]
    """Lowest relative humidity in use. [% RH]"""
    humidity_max_pct: Annotated[float, Field(ge=0, le=100)]
    """Highest relative humidity in use. [% RH]"""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for what, low, high in (
            ("temperature", self.temperature_min_c, self.temperature_max_c),
            ("humidity", self.humidity_min_pct, self.humidity_max_pct),
        ):
            if high <= low:
                raise ValueError(f"{what}: the highest, {high:g}, is not above the lowest, {low:g}; correct them")
        return self


class Slab(BaseModel):
    """A slab or screed of which the job asks: may it take its covering?"""

    model_config = _STRICT

    id: Identifier
    """Id of the slab; no spaces and none of `/ + #`."""
    name: Annotated[str, Field(max_length=200)] = ""
    """What people call it."""
    locations: Annotated[tuple[Identifier, ...], Field(min_length=1)]
    """The positions that the verdict rests on: sleeves at the depth of the method, or boxes sealed on the surface.
    Further sleeves, such as a shallow one, are monitored and not listed here."""
    criteria: Identifier
    """Id of the criteria that are followed; `monitord criteria list` shows those there are."""
    area_m2: Annotated[float, Field(gt=0)] | None = None
    """Floor area; none: the number of positions can't be judged. [m²]"""
    room: Identifier | None = None
    """The location of the room air above it; none: the room of its first position."""
    covering: Covering = Covering()
    """What is to be laid, and its manufacturer's limit."""
    service: ServiceConditions | None = None
    """The room as it will be used; none: the default of the criteria."""
    drying_aids_off_at: UtcTime | None = None
    """When dehumidifiers, heaters and floor heating that force the drying were turned off for good; none: they are on,
    or it is not known."""
    guard_factor: Annotated[float, Field(ge=0, le=3)] | None = None
    """Guard band: how many standard uncertainties the value must lie below the limit (JCGM 106:2012). 0 is simple
    acceptance; none: as the criteria say. [-]"""

    @property
    def label(self) -> str:
        """The name people gave it, or its id."""
        return self.name or self.id

    @model_validator(mode="after")
    def _positions_once(self) -> Self:
        twice = sorted({i for i in self.locations if self.locations.count(i) > 1})
        if twice:
            raise ValueError(f"slab {self.id!r}: location {twice[0]!r} is listed twice; list each position once")
        return self
