"""Alerts: a finding's life, and the messages about it."""

from __future__ import annotations

import hashlib
from enum import StrEnum
from functools import lru_cache

from pydantic import BaseModel, ConfigDict

from monitord.model.assessments import Finding
from monitord.model.facts import FindingKind
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


class Ending(StrEnum):
    """What ended an alert that no value closed."""

    JOB_ENDED = "job_ended"
    PAUSED = "paused"
    LOCATION_REMOVED = "location_removed"
    GOAL_REMOVED = "goal_removed"
    PROBE_REMOVED = "probe_removed"
    CHECK_UNKNOWN = "check_unknown"
    RULE_OFF = "rule_off"
    DID_NOT_LAST = "did_not_last"


SYSTEM = "$system"
"""Stands for the job in alerts about the program itself; no job's id may begin with `$`."""


@lru_cache(maxsize=4096)
def fingerprint(job: str, kind: str, location: str | None, probe: str | None, gateway: str | None = None) -> str:
    """Identity of an alert: a hash of what it is about, never of a value, a text or a time.

    `gateway` is given only where the gateway itself is what the alert is about.
    """
    parts = (job, kind, location or "", probe or "")
    key = "\x1f".join(parts if gateway is None else (*parts, gateway))
    return hashlib.sha256(key.encode()).hexdigest()[:24]


class Alert(BaseModel):
    """One episode of one alert, as it stands.

    Hold times run on the time of the measurements (`pending_since`, `clearing_since`, `last_evaluated_at`);
    `opened_at`, `acknowledged_at`, `closed_at` and `unknown_since` are the times as of which that was decided.
    An episode that was pending and did not last is kept as closed with `opened_at` None; it never was news.
    """

    model_config = _FROZEN

    fingerprint: str
    episode: int
    """1 for the first opening, 2 for the next, ..."""
    job: str
    kind: FindingKind
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
    """For the log and the history."""
    ending: Ending | None = None
    """None: it is not closed, or a value closed it."""
    ended_by: str | None = None
    """Who ended it, where a person did."""
    cleared: bool = False
    """Closed because the value went past the clear limit, not by a word."""
    last_evaluated_at: UtcTime | None = None
    unknown_since: UtcTime | None = None
    gateway: str | None = None
    """The gateway that the probe last reported through, or that the alert is about."""
    severity_since: UtcTime | None = None
    """When the present severity was decided."""
    recent_openings: tuple[UtcTime, ...] = ()
    """When this alert opened within the rule's flap window, this episode included; oldest first."""
    inhibited_by: str | None = None
    """Fingerprint of the open alert that explains this one, so that it is not told by itself."""
    inhibited_why: str | None = None
    finding: Finding
    """The latest finding that was true or false: how it stands now, at the closing the one that closed it."""
    opening: Finding | None = None
    """The finding that opened this episode."""
    worst: Finding | None = None
    """The worst one while it was open, by the rule's limit or the value of its facts."""

    @property
    def easing(self) -> bool:
        """Whether it is still open but its condition no longer holds: it closes if that lasts."""
        return self.status in (AlertStatus.OPEN, AlertStatus.ACKNOWLEDGED) and self.clearing_since is not None

    @property
    def basis(self) -> Finding:
        """The latest finding by which its condition held: the newest one, or the worst while it eases."""
        return self.worst if self.easing and self.worst is not None else self.finding


class AlertEvent(BaseModel):
    """One step in an alert's life; the history is append-only."""

    model_config = _FROZEN

    fingerprint: str
    episode: int
    at: UtcTime
    event: str
    """`opened`, `closed`, `acknowledged`, `severity_changed`, ..."""
    detail: str = ""
