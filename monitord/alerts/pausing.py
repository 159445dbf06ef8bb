"""A job that is to raise nothing for a while: its alerts end with a word why, its readings go on."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection

from monitord.alerts.requests import end_alerts_of_job, wish
from monitord.errors import MonitordError
from monitord.model.alerts import Ending
from monitord.model.messages import Pause
from monitord.store import jobs as stored_jobs
from monitord.store import pauses as stored_pauses
from monitord.store import pending_jobs


def pause(conn: Connection, job: str, end: datetime | None, author: str, comment: str, at: datetime) -> Pause:
    """Let a job raise nothing from now on, until it is resumed or the pause ends; its alerts end with a word why.

    Its readings are taken in and assessed as before.

    Raises
    ------
    MonitordError : there is no such job, it is over or paused already, or author, comment or end won't do.
    """
    found = stored_jobs.needed_job(conn, job)
    if found.end is not None and found.end <= at:
        raise MonitordError(f"job {job!r} is over, it raises nothing any more", remedy="There is nothing to pause")
    standing = stored_pauses.pause_of(conn, job, at)
    if standing is not None:
        raise MonitordError(f"{standing.reason}, and still is", where=f"job {job}", remedy="Resume it first")
    if end is not None and end <= at:
        raise MonitordError("the pause would be over already", where=f"job {job}", remedy="Give a later end")
    made = wish(Pause, job=job, start=at, end=end, author=author, comment=comment)
    stored_pauses.add_pause(conn, made)
    end_alerts_of_job(conn, job, at, made.reason, Ending.PAUSED, made.author, for_a_while=True)
    return made


def resume(conn: Connection, job: str, by: str, at: datetime) -> None:
    """Let a paused job raise alerts again, from its next assessment on.

    Raises
    ------
    MonitordError : it is not paused.
    """
    stored_jobs.needed_job(conn, job)
    if stored_pauses.end_pauses(conn, job, at, by) == 0:
        raise MonitordError(f"job {job!r} is not paused", remedy="There is nothing to resume")
    pending_jobs.mark_job(conn, job)
