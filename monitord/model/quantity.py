"""A number with its unit and its uncertainty: what every derived value is given as."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Quantity(BaseModel):
    """A number, its unit and its standard uncertainty (k = 1; JCGM 100:2008)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    value: float
    unit: str
    u: float | None = None
