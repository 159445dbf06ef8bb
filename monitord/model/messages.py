"""Messages about alerts, and people's wishes not to be told."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.model.alerts import Severity
from monitord.model.readings import UtcTime

_FROZEN = ConfigDict(frozen=True, extra="forbid")


class NotificationReason(StrEnum):
    """What one part of a message tells."""

    OPENED = "opened"
    ESCALATED = "escalated"
    """Opened, told to the next person because nobody acknowledged."""
    RAISED = "raised"
    """More severe than what was told before."""
    REMINDER = "reminder"
    CLOSED = "closed"
    MISSED = "missed"
    """Opened and closed during quiet hours."""
    MUTE_ENDS = "mute_ends"
    DIGEST = "digest"
    TEST = "test"


TELLS_OPEN = frozenset(
    {NotificationReason.OPENED, NotificationReason.ESCALATED, NotificationReason.RAISED, NotificationReason.REMINDER}
)
"""Who was told one of these will be told the closing."""


SEVERAL = "*"
"""In place of a job: the message is about several."""


class MessageItem(BaseModel):
    """One alert's part of a message."""

    model_config = _FROZEN

    subject: str
    """Fingerprint of the alert; `mute:ID`, `digest` or `test` where it is about something else."""
    episode: int
    news: NotificationReason
    job: str
    severity: Severity
    ordinal: int = 1
    """The how-manieth of its kind to this person about this episode."""


class Message(BaseModel):
    """What one person is to be told by one channel, as it waits in the outbox."""

    model_config = _FROZEN

    id: str
    """Hash of channel, person, group and items: the same news again has the same id."""
    person: str
    channel: str
    address: str = ""
    group: str
    """The job it is about; `*` for several."""
    severity: Severity
    """The highest of its items."""
    created_at: UtcTime
    deadline: UtcTime
    """When it is given up if it could not be delivered."""
    title: str
    short: str
    """160 characters at most, for SMS."""
    text: str
    html: str
    items: tuple[MessageItem, ...]


class OutboxState(StrEnum):
    """Where a message is on its way."""

    WAITING = "waiting"
    SENT = "sent"
    UNDELIVERABLE = "undeliverable"
    """Given up at its deadline; stays in the list until someone has looked at it."""
    SUPERSEDED = "superseded"
    """Never tried, and no longer true."""


class OutboxEntry(BaseModel):
    """A message in the outbox, and how sending it went."""

    model_config = _FROZEN

    message: Message
    state: OutboxState
    attempts: int
    """Counted before each try, so that a crash while sending shows."""
    next_try_at: UtcTime
    last_error: str | None = None
    finished_at: UtcTime | None = None


class LogEntry(BaseModel):
    """One line of the history of what was sent."""

    model_config = _FROZEN

    message_id: str
    at: UtcTime
    person: str
    channel: str
    title: str
    outcome: str
    """`sent`, `failed`, `undeliverable` or `superseded`."""
    detail: str = ""


class SentItem(BaseModel):
    """One item of a message that was sent, or is on its way, to one person."""

    model_config = _FROZEN

    message: str
    """Id of the message."""
    person: str
    channel: str
    item: MessageItem
    created_at: UtcTime
    state: OutboxState
    attempts: int


class MatchLabel(StrEnum):
    """What of an alert a mute can look at."""

    JOB = "job"
    LOCATION = "location"
    KIND = "kind"
    PROBE = "probe"
    GATEWAY = "gateway"
    SEVERITY = "severity"
    FINGERPRINT = "fingerprint"


class Matcher(BaseModel):
    """One condition on an alert; a mute covers the alerts that meet all of its matchers."""

    model_config = _FROZEN

    label: MatchLabel
    pattern: Annotated[str, Field(min_length=1, max_length=200)]
    """The label's value; `*` and `?` allowed."""


class Mute(BaseModel):
    """A person's wish not to be told, with an end. Never to be confused with a silent probe."""

    model_config = _FROZEN

    id: str
    matchers: Annotated[tuple[Matcher, ...], Field(min_length=1)]
    start: UtcTime
    end: UtcTime
    author: Annotated[str, Field(min_length=1, max_length=200)]
    comment: Annotated[str, Field(min_length=1, max_length=2000)]
    created_at: UtcTime
    ended_at: UtcTime | None = None
    """When it was ended before its time."""
    ended_by: str | None = None

    @model_validator(mode="after")
    def _ends_after_start(self) -> Mute:
        if self.end <= self.start:
            raise ValueError("the mute's end is not after its start; give a later end")
        if all(set(matcher.pattern) == {"*"} for matcher in self.matchers):
            raise ValueError("the mute would cover every alert there is; name a job, a location or a kind")
        return self


class Pause(BaseModel):
    """A person's word that a job is to raise nothing for a while; it is taken in and assessed as before."""

    model_config = _FROZEN

    job: str
    start: UtcTime
    end: UtcTime | None = None
    """None: until someone resumes it."""
    author: Annotated[str, Field(min_length=1, max_length=200)]
    comment: Annotated[str, Field(min_length=1, max_length=2000)]
    ended_by: str | None = None
    """Who resumed it before its time."""

    @model_validator(mode="after")
    def _ends_after_start(self) -> Pause:
        if self.end is not None and self.end < self.start:
            raise ValueError("the pause ends before it begins; give a later end")
        return self

    @property
    def reason(self) -> str:
        """Why the job's alerts ended."""
        return f"the job was paused by {self.author}: {self.comment}"
