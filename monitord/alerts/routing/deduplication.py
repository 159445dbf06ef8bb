"""Whether one person is to be told something about one episode now, and why or why not.

Whoever was told that an alert is open will be the closing was sent, muted or not. Everything else is told once:
the first word, a rise in severity, a reminder at its time. The decision depends on its arguments alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitord.alerts.lifecycle.rules import more_severe, severity_rank
from monitord.alerts.routing.routes import Recipient, quiet_until, ways
from monitord.model.alerts import Alert, AlertStatus, Severity
from monitord.model.config.alert_settings import Person
from monitord.model.messages import TELLS_OPEN, NotificationReason, OutboxState, SentItem

_REPORT_FOR = timedelta(hours=6)
"""How long after quiet hours what came and went in them is still reported."""


@dataclass(frozen=True)
class SentRecord:
    """What one person has been told about one episode, or is being told."""

    first_at: datetime
    last_at: datetime
    severity: Severity
    """The highest severity they know of."""
    closed: bool
    on_its_way: bool
    """The latest word has not gone out yet."""
    counts: dict[NotificationReason, int]
    channels: frozenset[str]


@dataclass(frozen=True)
class DeliveryVerdict:
    """What to tell one person about one episode, if anything."""

    reason: str
    news: NotificationReason | None = None
    since: datetime | None = None
    """When the news became news; the wait for others to come with it counts from there."""
    soon: bool = False
    """A reminder that is not due yet, but may come along with one that is."""
    due_at: datetime | None = None
    """When something will be told if nothing changes: a reminder, or the end of quiet hours or of a mute."""
    final: bool = False
    """Nothing about this episode will be told to this person any more."""


def summarise(items: Iterable[SentItem]) -> dict[tuple[str, str, int], SentRecord]:
    """Person, fingerprint and episode to what was told; the channels of one message count as one."""
    sorted_items: dict[tuple[str, str, int], list[SentItem]] = {}
    for told in items:
        if told.item.news in TELLS_OPEN or told.item.news in (NotificationReason.CLOSED, NotificationReason.MISSED):
            sorted_items.setdefault((told.person, told.item.subject, told.item.episode), []).append(told)
    return {key: _summary(rows) for key, rows in sorted_items.items()}


def _summary(rows: list[SentItem]) -> SentRecord:
    last = max(row.created_at for row in rows)
    latest = [row for row in rows if row.created_at == last]
    counts: dict[NotificationReason, int] = {}
    for row in rows:
        counts[row.item.news] = max(counts.get(row.item.news, 0), row.item.ordinal)
    return SentRecord(
        first_at=min(row.created_at for row in rows),
        last_at=last,
        severity=max((row.item.severity for row in rows), key=severity_rank),
        closed=bool(counts.keys() & {NotificationReason.CLOSED, NotificationReason.MISSED}),
        on_its_way=all(row.state is OutboxState.WAITING for row in latest),
        counts=counts,
        channels=frozenset(row.channel for row in rows),
    )


@dataclass(frozen=True)
class Blocked:
    """Why an open alert is not told for now: a mute, a maintenance window, an inhibition."""

    reason: str
    until: datetime | None


def decide(
    alert: Alert,
    person: Person,
    recipient: Recipient | None,
    told: SentRecord | None,
    blocked: Blocked | None,
    as_of: datetime,
) -> DeliveryVerdict:
    """Decide what one person is told about one episode.

    Parameters
    ----------
    recipient : how the alert is routed to the person now; None where no route leads to them.
    told : what they were told about this episode; None: nothing.
    blocked : what keeps the alert from being told now.
    """
    if alert.status is AlertStatus.CLOSED:
        return _of_closed(alert, person, recipient, told, blocked, as_of)
    if blocked is not None:
        return DeliveryVerdict(blocked.reason, due_at=blocked.until)
    if recipient is None:
        return DeliveryVerdict("no route leads to them now")
    quiet = quiet_until(person, alert.severity, as_of)
    if told is None:
        return _first_word(alert, recipient, quiet)
    if more_severe(alert.severity, told.severity) and alert.status is AlertStatus.OPEN:
        if quiet is not None:
            return DeliveryVerdict("quiet hours", due_at=quiet)
        return DeliveryVerdict(
            f"{alert.severity} now, sent as {told.severity}", NotificationReason.RAISED, alert.severity_since or as_of
        )
    return _again(alert, recipient, told, quiet, as_of)


def _first_word(alert: Alert, recipient: Recipient, quiet: datetime | None) -> DeliveryVerdict:
    if alert.status is AlertStatus.ACKNOWLEDGED:
        return DeliveryVerdict(f"{alert.acknowledged_by} acknowledged it before it was sent")
    if not ways(recipient.person, alert.severity):
        return DeliveryVerdict(f"none of their ways takes {alert.severity}")
    if quiet is not None:
        return DeliveryVerdict("quiet hours", due_at=quiet)
    news = NotificationReason.ESCALATED if recipient.escalated else NotificationReason.OPENED
    return DeliveryVerdict(recipient.reason, news, alert.opened_at)


def _again(
    alert: Alert, recipient: Recipient, told: SentRecord, quiet: datetime | None, as_of: datetime
) -> DeliveryVerdict:
    if alert.status is AlertStatus.ACKNOWLEDGED:
        return DeliveryVerdict(f"sent; acknowledged by {alert.acknowledged_by}")
    if alert.severity is Severity.NOTE:
        return DeliveryVerdict("sent; information is not repeated")
    if told.on_its_way:
        return DeliveryVerdict("the last message has not gone out yet")
    due = told.last_at + timedelta(seconds=recipient.remind_s)
    if quiet is not None:
        return DeliveryVerdict("sent; quiet hours", due_at=max(due, quiet))
    if as_of >= due:
        return DeliveryVerdict("not acknowledged", NotificationReason.REMINDER, due)
    soon = as_of >= told.last_at + timedelta(seconds=recipient.remind_s / 2)
    return DeliveryVerdict(
        "sent; the reminder is not due yet", NotificationReason.REMINDER if soon else None, due, soon, due
    )


def _of_closed(
    alert: Alert,
    person: Person,
    recipient: Recipient | None,
    told: SentRecord | None,
    blocked: Blocked | None,
    as_of: datetime,
) -> DeliveryVerdict:
    if told is not None and told.closed:
        return DeliveryVerdict("the closing was sent", final=True)
    quiet = quiet_until(person, alert.severity, as_of)
    if told is not None:
        if quiet is not None:
            return DeliveryVerdict("quiet hours", due_at=quiet)
        return DeliveryVerdict("the opening was sent", NotificationReason.CLOSED, alert.closed_at)
    if recipient is None or blocked is not None or alert.severity is Severity.NOTE or alert.opened_at is None:
        return DeliveryVerdict("closed before it was sent", final=True)
    slept_until = quiet_until(person, alert.severity, alert.opened_at)
    if slept_until is None or alert.closed_at is None or alert.closed_at > slept_until:
        return DeliveryVerdict("closed before it was sent", final=True)
    if quiet is not None:
        return DeliveryVerdict("came and went in quiet hours; reported at their end", due_at=quiet)
    if as_of - slept_until > _REPORT_FOR or not ways(person, alert.severity):
        return DeliveryVerdict("closed before it was sent", final=True)
    return DeliveryVerdict("came and went in quiet hours", NotificationReason.MISSED, slept_until)
