"""The plan of a job: a photo or drawing, and where on it each location is."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from monitord.model.readings import Identifier

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)
PER_MILLE = 1000
"""What a point counts in: thousandths of the picture's width and height."""

PerMille = Annotated[int, Field(ge=0, le=PER_MILLE)]


class PlanPoint(BaseModel):
    """Where a location is on the plan."""

    model_config = _STRICT

    location: Identifier
    """Id of the location."""
    x: PerMille
    """From the left edge. [‰ of the width]"""
    y: PerMille
    """From the upper edge. [‰ of the height]"""


class Plan(BaseModel):
    """A picture of the building and the points on it."""

    model_config = _STRICT

    photo: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    """SHA-256 of a photo among the job's notes; a store without that photo shows no plan."""
    points: tuple[PlanPoint, ...] = ()
    """One for each location that is on it."""

    def with_point(self, point: PlanPoint) -> Plan:
        """The plan with a location at a point, wherever it was before."""
        return self.model_copy(update={"points": (*self.without(point.location).points, point)})

    def without(self, location: str) -> Plan:
        """The plan without a location."""
        return self.model_copy(update={"points": tuple(one for one in self.points if one.location != location)})
