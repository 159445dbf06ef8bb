"""What the program must know to watch over itself."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, func, select

from monitord.store import jobs
from monitord.store.db.tables import assessment, mark
from monitord.store.db.times import from_ms

_WAITS = mark.c.mark > mark.c.assessed


def oldest_behind(conn: Connection) -> datetime | None:
    """As of when the job was last assessed that has waited longest for its next assessment; None: none waits.

    For a job that was never assessed it is the job's start.
    """
    last = select(func.min(assessment.c.as_of_ms)).join_from(mark, assessment, assessment.c.job == mark.c.job)
    oldest = conn.execute(last.where(_WAITS)).scalar_one_or_none()
    never = select(mark.c.job).where(_WAITS, mark.c.job.not_in(select(assessment.c.job)))
    new = [job.start for name in conn.execute(never).scalars() if (job := jobs.get_job(conn, name)) is not None]
    return min(new if oldest is None else [from_ms(oldest), *new], default=None)
