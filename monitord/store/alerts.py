"""Alerts and their history: what the engine starts from, and what the pages show."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Select, and_, bindparam, exists, func, or_, select, update

from monitord.model.alerts import Alert, AlertEvent, AlertStatus
from monitord.store.db.alert_tables import alert as alert_table
from monitord.store.db.alert_tables import alert_event, alert_secret
from monitord.store.db.statements import insert_or_ignore, insert_or_update
from monitord.store.db.times import from_ms, to_ms

_a = alert_table.c
_OPEN = (AlertStatus.OPEN.value, AlertStatus.ACKNOWLEDGED.value)


def current_alerts(conn: Connection, job: str) -> list[Alert]:
    """The latest episode of each alert of a job, in any state: what `engine.step` is given."""
    return [_parsed(document) for document in conn.execute(_CURRENT, {"of_job": job}).scalars()]


def open_alerts(conn: Connection, job: str | None = None) -> list[Alert]:
    """The alerts that are open or acknowledged, of one job or of all, the oldest opening first."""
    chosen = select(_a.document).where(_a.latest == 1, _a.status.in_(_OPEN), _a.settled == 0)
    if job is not None:
        chosen = chosen.where(_a.job == job)
    return _alerts(conn, chosen.order_by(_a.opened_ms, _a.fingerprint))


def count_open(conn: Connection) -> dict[str, int]:
    """How many alerts of each job are open or acknowledged; jobs without any are absent."""
    return {job: count for job, count in conn.execute(_OPEN_OF_JOBS)}


def episodes(conn: Connection, job: str, limit: int = 200) -> list[Alert]:
    """The openings of a job's alerts, closed ones too, the newest first; what never opened is left out."""
    chosen = select(_a.document).where(_a.job == job, _a.opened_ms.is_not(None))
    return _alerts(conn, chosen.order_by(_a.opened_ms.desc(), _a.fingerprint).limit(limit))


def latest_closed(conn: Connection, limit: int, jobs: Collection[str] | None = None) -> list[Alert]:
    """The openings that closed last, of some jobs or of all, the newest closing first."""
    chosen = select(_a.document).where(_a.closed_ms.is_not(None), _a.opened_ms.is_not(None))
    if jobs is not None:
        chosen = chosen.where(_a.job.in_(jobs))
    return _alerts(conn, chosen.order_by(_a.closed_ms.desc(), _a.fingerprint.desc()).limit(limit))


def changed_since(conn: Connection, since: datetime) -> list[Alert]:
    """The episodes of all jobs that opened or closed at or after a time, the oldest opening first."""
    recent = or_(_a.opened_ms >= to_ms(since), _a.closed_ms >= to_ms(since))
    chosen = select(_a.document).where(_a.opened_ms.is_not(None), recent)
    return _alerts(conn, chosen.order_by(_a.opened_ms, _a.fingerprint))


def latest_alerts(conn: Connection) -> list[Alert]:
    """The latest opening of every alert of every job; one that is pending again is passed over."""
    newer = alert_table.alias("newer")
    superseded = exists().where(
        newer.c.fingerprint == _a.fingerprint, newer.c.episode > _a.episode, newer.c.opened_ms.is_not(None)
    )
    return _alerts(conn, select(_a.document).where(_a.opened_ms.is_not(None), ~superseded))


def get_alert(conn: Connection, fingerprint: str, episode: int | None = None) -> Alert | None:
    """One episode of an alert (none given: the latest), if it is there."""
    chosen = select(_a.document).where(_a.fingerprint == fingerprint)
    chosen = chosen.where(_a.latest == 1 if episode is None else _a.episode == episode)
    return next(iter(_alerts(conn, chosen)), None)


def alerts_to_consider(conn: Connection, closed_since: datetime) -> tuple[list[Alert], frozenset[tuple[str, int]]]:
    """Every episode that someone may have to be told about, and those closed after a time, which may explain others.

    The second part names those (fingerprint, episode) that are settled already.
    """
    rows = conn.execute(_TO_CONSIDER, {"closed_since": to_ms(closed_since)}).all()
    done = frozenset((row.fingerprint, row.episode) for row in rows if row.settled)
    return [_parsed(row.document) for row in rows], done


def save_alerts(conn: Connection, alerts: Iterable[Alert]) -> None:
    """Write episodes; each counts as unsettled until `settle` says otherwise."""
    saved = list(alerts)
    if not saved:
        return
    changed = ("status", "opened_ms", "closed_ms", "settled", "document")
    insert = insert_or_update(conn.dialect.name, alert_table, lambda new: {name: new[name] for name in changed})
    conn.execute(insert, [_row(alert) for alert in saved])
    for alert in saved:
        if alert.episode > 1:
            older = and_(_a.fingerprint == alert.fingerprint, _a.episode < alert.episode, _a.latest == 1)
            conn.execute(update(alert_table).where(older).values(latest=0))


def settle(conn: Connection, episodes_: Iterable[tuple[str, int]]) -> None:
    """Note that nobody is owed a word about these closed episodes (fingerprint, episode)."""
    for fingerprint, episode in episodes_:
        chosen = and_(_a.fingerprint == fingerprint, _a.episode == episode)
        conn.execute(update(alert_table).where(chosen).values(settled=1))


def add_events(conn: Connection, events_: Sequence[AlertEvent]) -> None:
    """Append steps to the history, in the order given."""
    rows = [
        {
            "fingerprint": event.fingerprint,
            "episode": event.episode,
            "at_ms": to_ms(event.at),
            "event": event.event,
            "detail": event.detail,
        }
        for event in events_
    ]
    if rows:
        conn.execute(alert_event.insert(), rows)


def events(conn: Connection, *, job: str | None = None, fingerprint: str | None = None) -> list[AlertEvent]:
    """The history of one alert, of a job's alerts, or of all, in the order in which it was written."""
    e = alert_event.c
    chosen = select(e.fingerprint, e.episode, e.at_ms, e.event, e.detail).order_by(e.id)
    if fingerprint is not None:
        chosen = chosen.where(e.fingerprint == fingerprint)
    if job is not None:
        chosen = chosen.where(e.fingerprint.in_(select(_a.fingerprint).where(_a.job == job)))
    return [_event(row) for row in conn.execute(chosen)]


def link_secret(conn: Connection) -> bytes:
    """The key that signs links; made at the first call, which needs a connection that may write."""
    chosen = select(alert_secret.c.value).where(alert_secret.c.name == "link")
    found = conn.execute(chosen).scalar_one_or_none()
    if found is None:
        made = {"name": "link", "value": secrets.token_hex(32)}
        conn.execute(insert_or_ignore(conn.dialect.name, alert_secret), made)
        found = conn.execute(chosen).scalar_one()
    return bytes.fromhex(found)


@lru_cache(maxsize=1000)
def _parsed(document: str) -> Alert:
    """Pages and rounds read the same documents again and again; what comes out is frozen."""
    return Alert.model_validate_json(document)


def _alerts(conn: Connection, chosen: Select[Any]) -> list[Alert]:
    return [_parsed(document) for document in conn.execute(chosen).scalars()]


def _row(alert: Alert) -> dict[str, object]:
    return {
        "fingerprint": alert.fingerprint,
        "episode": alert.episode,
        "job": alert.job,
        "status": alert.status.value,
        "opened_ms": None if alert.opened_at is None else to_ms(alert.opened_at),
        "closed_ms": None if alert.closed_at is None else to_ms(alert.closed_at),
        "latest": 1,
        "settled": int(alert.opened_at is None and alert.status is AlertStatus.CLOSED),
        "document": alert.model_dump_json(),
    }


def _event(row: Any) -> AlertEvent:
    return AlertEvent(
        fingerprint=row.fingerprint, episode=row.episode, at=from_ms(row.at_ms), event=row.event, detail=row.detail
    )


# --- statements that every round runs, built once -----------------------------------------------------------------

_CURRENT = select(_a.document).where(_a.job == bindparam("of_job"), _a.latest == 1)

_OPEN_OF_JOBS = (
    select(_a.job, func.count()).where(_a.latest == 1, _a.status.in_(_OPEN), _a.settled == 0).group_by(_a.job)
)

_TO_CONSIDER = select(_a.document, _a.fingerprint, _a.episode, _a.settled).where(
    or_(_a.settled == 0, _a.closed_ms >= bindparam("closed_since")), _a.opened_ms.is_not(None)
)
