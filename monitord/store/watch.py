"""What the program must know to watch over itself."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, func, select

from monitord.store.tables import assessment, mark
from monitord.store.times import from_ms


def oldest_behind(conn: Connection) -> datetime | None:
    """As of when the job was last assessed that has waited longest for its next assessment; None: none waits.

    A job that was never assessed has no such time and is left out.
    """
    waiting = (
        select(func.min(assessment.c.as_of_ms))
        .join_from(mark, assessment, assessment.c.job == mark.c.job)
        .where(mark.c.mark > mark.c.assessed)
    )
    oldest = conn.execute(waiting).scalar_one_or_none()
    return None if oldest is None else from_ms(oldest)
