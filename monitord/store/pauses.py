"""Pauses of jobs. Whether one stands is computed from a time, never stored; all of them stay on record."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, or_, select, update

from monitord.model.messages import Pause
from monitord.store.db.alert_tables import job_pause
from monitord.store.db.times import from_ms, to_ms

_p = job_pause.c


def add_pause(conn: Connection, pause: Pause) -> None:
    """Keep a new pause."""
    times = {"from_ms": to_ms(pause.start), "to_ms": None if pause.end is None else to_ms(pause.end)}
    conn.execute(job_pause.insert(), pause.model_dump(include={"job", "author", "comment", "ended_by"}) | times)


def standing(conn: Connection, at: datetime) -> dict[str, Pause]:
    """Job to the pause that stands at a time: start <= at < end; of several the one that lasts longest."""
    chosen = select(job_pause).where(_stands(at)).order_by(_p.to_ms.is_(None), _p.to_ms, _p.id)
    return {row.job: _pause(row) for row in conn.execute(chosen)}


def pause_of(conn: Connection, job: str, at: datetime) -> Pause | None:
    """The pause of one job that stands at a time, if one does."""
    return standing(conn, at).get(job)


def pauses(conn: Connection, job: str) -> list[Pause]:
    """All pauses of a job, the earliest first."""
    rows = conn.execute(select(job_pause).where(_p.job == job).order_by(_p.from_ms, _p.id))
    return [_pause(row) for row in rows]


def end_pauses(conn: Connection, job: str, at: datetime, by: str) -> int:
    """End the pauses of a job that stand at a time; how many did."""
    ended = update(job_pause).where(_p.job == job, _stands(at)).values(to_ms=to_ms(at), ended_by=by)
    return conn.execute(ended).rowcount


def _stands(at: datetime) -> Any:
    return and_(_p.from_ms <= to_ms(at), or_(_p.to_ms.is_(None), _p.to_ms > to_ms(at)))


def _pause(row: Any) -> Pause:
    return Pause(
        job=row.job,
        start=from_ms(row.from_ms),
        end=None if row.to_ms is None else from_ms(row.to_ms),
        author=row.author,
        comment=row.comment,
        ended_by=row.ended_by,
    )
