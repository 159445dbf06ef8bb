"""Sign-offs: a named person confirms what was known of a slab or element. Never edited; withdrawn with a reason."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.readiness.verdict import Readiness, Verdict
from monitord.model.readings import Identifier, UtcTime

Name = Annotated[str, Field(min_length=1, max_length=120)]


class Statement(StrEnum):
    """What is confirmed."""

    READY = "ready"
    SEEN = "seen"
    """Seen as it is; it is not ready, or can't be said to be."""


class SignOff(BaseModel):
    """One confirmation, with what was known then."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    id: int = 0
    """Number in the store; 0: not kept yet."""
    job: Identifier
    element: Identifier
    statement: Statement
    by: Name
    """Who confirms it."""
    role: Annotated[str, Field(max_length=120)] = ""
    own_reading: Annotated[str, Field(max_length=200)] = ""
    """Their own reading, in their own words; it is kept beside the verdict and changes nothing of it."""
    note: Annotated[str, Field(max_length=500)] = ""
    signed_at: UtcTime
    as_of: UtcTime
    """The readings received by then were known."""
    known_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    """Digest over the job, the raw readings, the rules and the verdicts: that of an evidence pack made as of then."""
    verdict: Readiness
    """The verdict as it stood."""
    withdrawn_at: UtcTime | None = None
    withdrawn_by: Annotated[str, Field(max_length=120)] = ""
    withdrawn_reason: Annotated[str, Field(max_length=500)] = ""

    @property
    def stands(self) -> bool:
        """Whether it was not withdrawn."""
        return self.withdrawn_at is None

    @model_validator(mode="after")
    def _ready_only_where_it_is(self) -> Self:
        if self.statement is Statement.READY and self.verdict.verdict is not Verdict.READY:
            missing = ", ".join(self.verdict.missing)
            raise ValueError(
                f"{self.element!r} can't be signed as ready: {missing} do not pass; sign it as seen, or wait for them"
            )
        return self
