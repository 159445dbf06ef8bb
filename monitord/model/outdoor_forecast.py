"""A forecast of the outdoor air as someone else made it: kept as it came, with the time at which it was issued."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, FailFast, Field, model_validator

from monitord.model.readings import UtcTime

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

Celsius = Annotated[float, Field(ge=-60.0, le=60.0)]


class ForecastHour(BaseModel):
    """The outdoor air at one time. Its humidity is given in one of two ways."""

    model_config = _STRICT

    time: UtcTime
    """When; between two times the air changes in proportion."""
    temperature_c: Celsius
    """Air temperature. [°C]"""
    relative_humidity_pct: Annotated[float, Field(ge=0.0, le=105.0)] | None = None
    """Relative humidity over water, also below 0 °C. [%]"""
    dew_point_c: Celsius | None = None
    """Dew point over water, as weather services give it. [°C]"""

    @model_validator(mode="after")
    def _one_humidity(self) -> Self:
        if (self.relative_humidity_pct is None) == (self.dew_point_c is None):
            raise ValueError(f"{self.time:%Y-%m-%dT%H:%MZ}: give either relative_humidity_pct or dew_point_c")
        if self.dew_point_c is not None and self.dew_point_c > self.temperature_c + 0.5:
            raise ValueError(
                f"{self.time:%Y-%m-%dT%H:%MZ}: a dew point of {self.dew_point_c:g} °C lies over the air's "
                f"{self.temperature_c:g} °C"
            )
        return self


class OutdoorForecastDocument(BaseModel):
    """One forecast: the outdoor air over the hours to come, as issued at one time."""

    model_config = _STRICT

    issued_at: UtcTime
    """When it was made: it is never used for an assessment of an earlier time."""
    hours: Annotated[tuple[ForecastHour, ...], FailFast(), Field(min_length=2, max_length=400)]
    """The air at ascending times, at most six hours apart."""
    source: Annotated[str, Field(max_length=200)] = ""
    """Whose forecast it is."""
    u_temperature_k: Annotated[float, Field(gt=0.0, le=10.0)] | None = None
    """Standard uncertainty of the temperature a day ahead; none: what is usual. [K]"""
    u_dew_point_k: Annotated[float, Field(gt=0.0, le=10.0)] | None = None
    """The same of the dew point. [K]"""

    @model_validator(mode="after")
    def _times_in_order(self) -> Self:
        for before, after in pairwise(self.hours):
            step_s = (after.time - before.time).total_seconds()
            if step_s <= 0:
                raise ValueError(f"the hour {after.time:%Y-%m-%dT%H:%MZ} does not come after the one before it")
            if step_s > 6 * 3600:
                raise ValueError(
                    f"after {before.time:%Y-%m-%dT%H:%MZ} the next time is {step_s / 3600:g} h away; six are allowed"
                )
        if self.hours[-1].time <= self.issued_at:
            raise ValueError("the last of its hours is over already when it is issued")
        return self
