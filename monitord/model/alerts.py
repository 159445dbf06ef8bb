"""Alerts: a finding's life, and the messages about it."""

from __future__ import annotations

import hashlib
from enum import StrEnum

from pydantic import BaseModel, ConfigDict

from monitord.model.assessments import Finding
from monitord.model.readings import UtcTime

_FROZEN = ConfigDict(frozen=True, extra="forbid")


class Severity(StrEnum):
    """How soon someone should act."""

    NOTE = "note"
    WATCH = "watch"
    ACT = "act"


class AlertStatus(StrEnum):
    """Where an alert is in its life."""

    PENDING = "pending"
    OPEN = "open"
    ACKNOWLEDGED = "acknowledged"
    CLOSED = "closed"


def fingerprint(job: str, kind: str, location: str | None, probe: str | None) -> str:
    """Identity of an alert: a hash of what it is about, never of a value, a text or a time."""
    key = "\x1f".join((job, kind, location or "", probe or ""))
    return hashlib.sha256(key.encode()).hexdigest()[:24]


class Alert(BaseModel):
    """One episode of one alert, as it stands. Times are those of the measurements, not of their arrival."""

    model_config = _FROZEN

    fingerprint: str
    episode: int
    """1 for the first opening, 2 for the next, ..."""
    job: str
    kind: str
    location: str | None
    probe: str | None
    severity: Severity
    status: AlertStatus
    pending_since: UtcTime | None = None
    """Measured time from which the raise limit has been passed without a break."""
    pending_readings: int = 0
    clearing_since: UtcTime | None = None
    """Measured time from which the clear limit has been met without a break."""
    opened_at: UtcTime | None = None
    acknowledged_at: UtcTime | None = None
    acknowledged_by: str | None = None
    acknowledgement_note: str | None = None
    closed_at: UtcTime | None = None
    closing_reason: str | None = None
    last_evaluated_at: UtcTime | None = None
    unknown_since: UtcTime | None = None
    finding: Finding
    """The latest finding that told true or false; its texts and value are what is shown."""


class AlertEvent(BaseModel):
    """One step in an alert's life; the history is append-only."""

    model_config = _FROZEN

    fingerprint: str
    episode: int
    at: UtcTime
    event: str
    """`opened`, `closed`, `acknowledged`, `severity_changed`, ..."""
    detail: str = ""
