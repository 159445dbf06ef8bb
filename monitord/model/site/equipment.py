"""Equipment that dries a room: dehumidifiers, air movers, heaters, from when to when, and the water they took out."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readings import Identifier, UtcTime

_STRICT = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, use_attribute_docstrings=True)
_DAY_S = 86_400.0


class EquipmentKind(StrEnum):
    """What a machine does."""

    DEHUMIDIFIER = "dehumidifier"
    AIR_MOVER = "air_mover"
    HEATER = "heater"


class Water(BaseModel):
    """Water that a dehumidifier took out: what its tank held when it was emptied, or what its meter showed."""

    model_config = _STRICT

    at: UtcTime
    """When it was emptied or read."""
    litres: Annotated[float, Field(ge=0, le=500)] | None = None
    """Emptied since the last time. [L]"""
    meter_l: Annotated[float, Field(ge=0, le=1e6)] | None = None
    """What its meter showed; a meter counts up. [L]"""
    by: Annotated[str, Field(max_length=120)] = ""
    """Who did it."""

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.litres is None) == (self.meter_l is None):
            raise ValueError("give `litres` that were emptied, or `meter_l` as the meter shows it: one of the two")
        return self


class Equipment(BaseModel):
    """One machine at one location from one time to another; one that moves has an entry for each location."""

    model_config = _STRICT

    id: Identifier
    """Id of the machine, as on its label; no spaces and none of `/ + #`."""
    name: Annotated[str, Field(max_length=120)] = ""
    """What people call it, such as make and size."""
    kind: EquipmentKind
    """`dehumidifier`, `air_mover` or `heater`."""
    location_id: Identifier
    """The room whose air it works on, or the void it blows into."""
    from_time: UtcTime = Field(alias="from")
    """Switched on there, with an offset such as Z."""
    to_time: UtcTime | None = Field(default=None, alias="to")
    """Taken out; none: it is still there."""
    rated_l_per_day: Annotated[float, Field(gt=0, le=2000)] | None = None
    """Dehumidifiers: what it takes out in a day at the rating conditions of its manufacturer. [L/day]"""
    water: tuple[Water, ...] = ()
    """Dehumidifiers: what was emptied or read, in order of time."""
    by: Annotated[str, Field(max_length=120)] = ""
    """Who set it up."""

    @property
    def label(self) -> str:
        """The name people gave it, or its id."""
        return self.name or self.id

    def covers(self, time: datetime) -> bool:
        """Whether it stands there at a time: from <= time < to."""
        return self.from_time <= time and (self.to_time is None or time < self.to_time)

    def litres(self, until: datetime) -> float | None:
        """Water taken out from its start up to a time, that included; None where nothing was recorded. [L]"""
        amounts = [litres for water, litres in self.amounts() if water.at <= until]
        return sum(amounts) if amounts else None

    def rate_l_per_day(self, until: datetime) -> float | None:
        """Water a day between the last two records up to a time, or from its start to the only one. [L/day]"""
        known = [(water, litres) for water, litres in self.amounts() if water.at <= until]
        if not known:
            return None
        begun = known[-2][0].at if len(known) > 1 else self.from_time
        days = (known[-1][0].at - begun).total_seconds() / _DAY_S
        return known[-1][1] / days if days > 0.0 else None

    def amounts(self) -> list[tuple[Water, float]]:
        """Each record with the water since the one before; a first meter reading only says where it began. [L]"""
        found: list[tuple[Water, float]] = []
        meter: float | None = None
        for water in sorted(self.water, key=lambda one: one.at):
            if water.litres is not None:
                found.append((water, water.litres))
            elif water.meter_l is not None:
                found.append((water, 0.0 if meter is None else water.meter_l - meter))
                meter = water.meter_l
        return found

    @model_validator(mode="after")
    def _fits(self) -> Self:
        who = f"equipment {self.id!r}"
        if self.to_time is not None and self.to_time <= self.from_time:
            raise ValueError(f"{who} is taken out before it is set up; correct `from` or `to`")
        if self.kind is not EquipmentKind.DEHUMIDIFIER and (self.water or self.rated_l_per_day is not None):
            raise ValueError(f"{who} is no dehumidifier: it takes no water out; remove `water` and `rated_l_per_day`")
        for water in self.water:
            if water.at < self.from_time or (self.to_time is not None and water.at > self.to_time):
                raise ValueError(f"{who}: water of {water.at:%Y-%m-%dT%H:%MZ} is not within its time here")
        if any(litres < 0.0 for _, litres in self.amounts()):
            raise ValueError(f"{who}: its meter shows less than before; a meter counts up, so correct the reading")
        return self
