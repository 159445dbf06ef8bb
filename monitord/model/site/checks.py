"""Checks of probes on site: which probes lay together, over what, and from when to when."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readings import Identifier, UtcTime
from monitord.physics.fixed_points import SALTS


class CheckKind(StrEnum):
    """What probes are checked against."""

    SIDE_BY_SIDE = "side_by_side"
    """Each other, in one box."""
    SALT = "salt"
    """The air over a saturated salt solution (ASTM E104)."""


class ProbeCheck(BaseModel):
    """One check. Its result is computed from the readings of that time whenever it is asked for."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, use_attribute_docstrings=True)

    kind: CheckKind
    """`side_by_side` or `salt`."""
    probes: Annotated[tuple[Identifier, ...], Field(min_length=1, max_length=60)]
    """Ids of the probes; at least two side by side."""
    salt: str | None = None
    """Formula of the salt, such as `NaCl`; only over a salt."""
    from_time: UtcTime = Field(alias="from")
    """When the box was closed, with an offset such as Z."""
    to_time: UtcTime | None = Field(default=None, alias="to")
    """When it was opened; none: it is still closed."""
    by: Annotated[str, Field(max_length=120)] = ""
    """Who does it."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if len(set(self.probes)) < len(self.probes):
            raise ValueError("a probe is listed twice in a check; list each once")
        if self.to_time is not None and self.to_time <= self.from_time:
            raise ValueError("a check ends before it begins; correct `from` or `to`")
        if self.kind is CheckKind.SIDE_BY_SIDE and (len(self.probes) < 2 or self.salt is not None):
            raise ValueError("a check side by side needs two probes at least, and no salt")
        if self.kind is CheckKind.SALT and self.salt not in SALTS:
            raise ValueError(f"salt {self.salt!r} has no fixed points here; use one of {', '.join(SALTS)}")
        return self
