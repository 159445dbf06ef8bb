"""The outbox: messages on their way, what they told whom, and the log of how sending went."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, bindparam, case, exists, func, or_, select, update
from sqlalchemy.sql import ColumnElement

from monitord.model.alerts import Severity
from monitord.model.messages import SEVERAL, LogEntry, Message, MessageItem, OutboxEntry, OutboxState, SentItem
from monitord.store.db.alert_tables import alert, notification_log, outbox, outbox_item
from monitord.store.db.statements import insert_or_ignore
from monitord.store.db.times import from_ms, to_ms
from monitord.store.maintenance.leases import database_ms

_o, _i, _l = outbox.c, outbox_item.c, notification_log.c
_LET_GO = {"held_by": None, "held_until_ms": None}


def enqueue(conn: Connection, message: Message) -> bool:
    """Put a message in; False where its id was there already, which leaves everything as it is."""
    if conn.execute(select(_o.id).where(_o.id == message.id)).first() is not None:
        return False
    fields = message.model_dump(exclude={"items", "group", "created_at", "deadline"})
    times = {"created_ms": to_ms(message.created_at), "deadline_ms": to_ms(message.deadline)}
    state = {"state": OutboxState.WAITING.value, "attempts": 0, "next_try_ms": to_ms(message.created_at)}
    conn.execute(insert_or_ignore(conn.dialect.name, outbox), fields | times | state | {"group_key": message.group})
    conn.execute(
        outbox_item.insert(),
        [{"message": message.id, "position": n} | item.model_dump() for n, item in enumerate(message.items)],
    )
    return True


def due(conn: Connection, now: datetime, limit: int = 200, holder: str | None = None) -> list[OutboxEntry]:
    """The waiting messages whose next try is due, act before watch before note, the oldest first.

    `holder`: this process, where several send; what another is sending is left out.
    """
    chosen = _DUE if holder is None else _DUE.where(_free_for(holder, database_ms(conn)))
    return _entries(conn, chosen, {"now": to_ms(now), "most": limit})


def hold(conn: Connection, entries: Iterable[OutboxEntry], holder: str, for_s: float) -> list[OutboxEntry]:
    """Take messages for one process out of several; returns those that no other has taken or tried since."""
    now_ms = database_ms(conn)
    mine = {"held_by": holder, "held_until_ms": now_ms + round(1000 * for_s)}
    waits = and_(_o.state == OutboxState.WAITING.value, _free_for(holder, now_ms))
    taken = []
    for entry in entries:
        unchanged = and_(_o.id == entry.message.id, _o.attempts == entry.attempts, waits)
        if conn.execute(update(outbox).where(unchanged).values(mine)).rowcount:
            taken.append(entry)
    return taken


def hold_longer(conn: Connection, message_ids: Iterable[str], holder: str, for_s: float) -> None:
    """They are still being sent."""
    until_ms = database_ms(conn) + round(1000 * for_s)
    mine = and_(_o.id.in_(list(message_ids)), _o.held_by == holder)
    conn.execute(update(outbox).where(mine).values(held_until_ms=until_ms))


def tried_since(conn: Connection, message_id: str, attempt: int) -> bool:
    """Whether another process has begun a later try, since this one took too long over its own."""
    newest = conn.execute(select(_o.attempts).where(_o.id == message_id)).scalar_one_or_none()
    return newest is not None and newest > attempt


def _free_for(holder: str, now_ms: int) -> ColumnElement[bool]:
    return or_(_o.held_until_ms.is_(None), _o.held_until_ms <= now_ms, _o.held_by == holder)


def record_attempt(conn: Connection, message_id: str) -> None:
    """Count a try, before it is made: from here on the person may have been told."""
    conn.execute(update(outbox).where(_o.id == message_id).values(attempts=_o.attempts + 1))


def record_sent(conn: Connection, message: Message, at: datetime) -> None:
    """Note that the channel took a message, in the outbox and in the log together."""
    _finish(conn, message, at, OutboxState.SENT, "")


def record_failure(conn: Connection, message: Message, at: datetime, error: str, next_try: datetime) -> OutboxState:
    """Note that a try failed; at its deadline the message is given up and listed as undeliverable."""
    if next_try >= message.deadline:
        _finish(conn, message, at, OutboxState.UNDELIVERABLE, error)
        return OutboxState.UNDELIVERABLE
    change = {"next_try_ms": to_ms(next_try), "last_error": error, **_LET_GO}
    conn.execute(update(outbox).where(_o.id == message.id).values(change))
    _log(conn, message, at, "failed", error)
    return OutboxState.WAITING


def supersede(conn: Connection, message_id: str, at: datetime, reason: str) -> bool:
    """Take a message back that was never tried; False where it is too late for that."""
    chosen = select(outbox).where(_o.id == message_id, _o.state == OutboxState.WAITING.value, _o.attempts == 0)
    found = _entries(conn, chosen)
    if not found:
        return False
    _finish(conn, found[0].message, at, OutboxState.SUPERSEDED, reason)
    return True


def undeliverable(conn: Connection, since: datetime | None = None) -> list[OutboxEntry]:
    """The messages that were given up (after a time), the newest first."""
    chosen = select(outbox).where(_o.state == OutboxState.UNDELIVERABLE.value)
    if since is not None:
        chosen = chosen.where(_o.finished_ms > to_ms(since))
    return _entries(conn, chosen.order_by(_o.finished_ms.desc(), _o.id))


def waiting(conn: Connection) -> list[OutboxEntry]:
    """The messages still on their way, the oldest first."""
    chosen = select(outbox).where(_o.state == OutboxState.WAITING.value)
    return _entries(conn, chosen.order_by(_o.created_ms, _o.id))


def get_entry(conn: Connection, message_id: str) -> OutboxEntry | None:
    """One message with its state, if it is there."""
    return next(iter(_entries(conn, select(outbox).where(_o.id == message_id))), None)


def sent_items(conn: Connection, closed_since: datetime) -> list[SentItem]:
    """What people were told, or are being told, about the episodes of `alerts_to_consider`, oldest first."""
    return _told(conn, _TOLD_OF_ALERTS, {"closed_since": to_ms(closed_since)})


def told_about(conn: Connection, subjects: Iterable[str]) -> list[SentItem]:
    """The same about other subjects: mutes, digests."""
    wanted = list(subjects)
    return _told(conn, _TOLD_ABOUT, {"subjects": wanted}) if wanted else []


def last_digests(conn: Connection) -> dict[str, datetime]:
    """When each person's newest digest was written."""
    chosen = select(_o.person, func.max(_o.created_ms)).join(outbox_item, _i.message == _o.id)
    chosen = chosen.where(_i.subject == "digest").group_by(_o.person)
    return {person: from_ms(ms) for person, ms in conn.execute(chosen)}


def last_messages(conn: Connection, since: datetime) -> dict[tuple[str, str], datetime]:
    """When the newest message after a time about each job (second) was written to each person (first).

    The job `*` stands for messages about several jobs at once.
    """
    since_ms = {"since": to_ms(since)}
    rows = [*conn.execute(_LAST_BY_JOB, since_ms), *conn.execute(_LAST_OF_SEVERAL, since_ms)]
    return {(person, job): from_ms(ms) for person, job, ms in rows}


def log_directly(conn: Connection, message: Message, at: datetime, wrong: str) -> None:
    """Note in the log how a message went that never was in the outbox; `wrong` empty: the channel took it."""
    _log(conn, message, at, "failed" if wrong else OutboxState.SENT.value, wrong)


def log(conn: Connection, limit: int = 200) -> list[LogEntry]:
    """What was sent and what failed, the newest first."""
    return _log_entries(conn, select(notification_log).order_by(_l.id.desc()).limit(limit))


def log_of_job(conn: Connection, job: str) -> list[LogEntry]:
    """What was sent about one job and no other, the oldest first, as far as the messages are still kept."""
    others = exists().where(_i.message == _l.message, _i.job != job)
    own = exists().where(_i.message == _l.message, _i.job == job)
    return _log_entries(conn, select(notification_log).where(own, ~others).order_by(_l.id))


def _log_entries(conn: Connection, chosen: Select[Any]) -> list[LogEntry]:
    return [
        LogEntry(
            message_id=row.message,
            at=from_ms(row.at_ms),
            person=row.person,
            channel=row.channel,
            title=row.title,
            outcome=row.outcome,
            detail=row.detail,
        )
        for row in conn.execute(chosen)
    ]


def forget_before(conn: Connection, time: datetime) -> int:
    """Remove finished messages older than a time (the log stays); how many.

    A message about an episode that is not settled is kept: it says who is still owed the closing.
    """
    open_ = select(alert.c.fingerprint).where(alert.c.settled == 0)
    needed = select(_i.message).where(_i.subject.in_(open_))
    old = and_(_o.created_ms < to_ms(time), _o.state != OutboxState.WAITING.value, _o.id.not_in(needed))
    return conn.execute(outbox.delete().where(old)).rowcount


def _finish(conn: Connection, message: Message, at: datetime, state: OutboxState, detail: str) -> None:
    change = {"state": state.value, "finished_ms": to_ms(at), "last_error": detail or None, **_LET_GO}
    conn.execute(update(outbox).where(_o.id == message.id).values(change))
    _log(conn, message, at, state.value, detail)


def _log(conn: Connection, message: Message, at: datetime, outcome: str, detail: str) -> None:
    row = {"message": message.id, "at_ms": to_ms(at), "person": message.person, "channel": message.channel}
    conn.execute(notification_log.insert(), row | {"title": message.title, "outcome": outcome, "detail": detail})


def _told(conn: Connection, chosen: Select[Any], values: dict[str, Any]) -> list[SentItem]:
    return [
        SentItem(
            message=row.message,
            person=row.person,
            channel=row.channel,
            item=_item(row),
            created_at=from_ms(row.created_ms),
            state=OutboxState(row.state),
            attempts=row.attempts,
        )
        for row in conn.execute(chosen, values)
    ]


def _item(row: Row[Any]) -> MessageItem:
    return MessageItem.model_validate(
        {name: getattr(row, name) for name in ("subject", "episode", "news", "job", "severity", "ordinal")}
    )


def _entries(conn: Connection, chosen: Select[Any], values: dict[str, Any] | None = None) -> list[OutboxEntry]:
    rows = conn.execute(chosen, values or {}).all()
    items: dict[str, list[MessageItem]] = {row.id: [] for row in rows}
    if rows:
        of_these = select(outbox_item).where(_i.message.in_(list(items))).order_by(_i.message, _i.position)
        for row in conn.execute(of_these):
            items[row.message].append(_item(row))
    return [_entry(row, tuple(items[row.id])) for row in rows]


def _entry(row: Row[Any], items: tuple[MessageItem, ...]) -> OutboxEntry:
    names = ("id", "person", "channel", "address", "severity", "title", "short", "text", "html")
    message = Message.model_validate(
        {name: getattr(row, name) for name in names}
        | {
            "group": row.group_key,
            "created_at": from_ms(row.created_ms),
            "deadline": from_ms(row.deadline_ms),
            "items": items,
        }
    )
    return OutboxEntry(
        message=message,
        state=OutboxState(row.state),
        attempts=row.attempts,
        next_try_at=from_ms(row.next_try_ms),
        last_error=row.last_error,
        finished_at=None if row.finished_ms is None else from_ms(row.finished_ms),
    )


# --- statements that every round runs, built once -----------------------------------------------------------------

_URGENCY = case({severity.value: rank for rank, severity in enumerate(reversed(Severity))}, value=_o.severity)

_DUE = (
    select(outbox)
    .where(_o.state == OutboxState.WAITING.value, _o.next_try_ms <= bindparam("now"))
    .order_by(_URGENCY, _o.created_ms, _o.id)
    .limit(bindparam("most"))
)

_TOLD = (
    select(_o.person, _o.channel, _o.created_ms, _o.state, _o.attempts, outbox_item)
    .join(outbox, _o.id == _i.message)
    .where(_o.state != OutboxState.SUPERSEDED.value)
    .order_by(_o.created_ms, _o.id, _i.position)
)

_TOLD_ABOUT = _TOLD.where(_i.subject.in_(bindparam("subjects", expanding=True)))

_TOLD_OF_ALERTS = _TOLD.join(
    alert,
    and_(
        alert.c.fingerprint == _i.subject,
        alert.c.episode == _i.episode,
        or_(alert.c.settled == 0, alert.c.closed_ms >= bindparam("closed_since")),
    ),
)

_RECENT = and_(_o.created_ms > bindparam("since"), _o.state != OutboxState.SUPERSEDED.value)

_LAST_BY_JOB = (
    select(_o.person, _i.job, func.max(_o.created_ms))
    .join(outbox_item, _i.message == _o.id)
    .where(_RECENT, _i.subject.not_in(("digest", "test")))
    .group_by(_o.person, _i.job)
)

_LAST_OF_SEVERAL = (
    select(_o.person, _o.group_key, func.max(_o.created_ms))
    .where(_RECENT, _o.group_key == SEVERAL, _o.id.in_(select(_i.message).where(_i.subject != "digest")))
    .group_by(_o.person, _o.group_key)
)
