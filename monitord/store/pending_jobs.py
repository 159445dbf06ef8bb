"""Which jobs have something that no assessment has seen yet.

Each job has a mark that only rises, and the mark up to which it was assessed. What changes the verdict raises
the mark in the same transaction; an assessment clears it up to the mark that it began with. So a reading that
lands while the assessment runs leaves the job marked, and a crash between the two loses nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import lru_cache

from sqlalchemy import Connection, Insert, Update, and_, bindparam, or_, select, update

from monitord.store.db.archive_tables import archived_readings
from monitord.store.db.statements import as_pairs, insert_or_update, probe_times
from monitord.store.db.tables import mark, placement
from monitord.store.db.times import HOUR_MS


def marked_jobs(conn: Connection, among: Collection[str] | None = None) -> list[tuple[str, int]]:
    """Jobs to be assessed (of some, or of all), by id, each with its mark: load what is known after this."""
    chosen = _MARKED if among is None else _MARKED.where(mark.c.job.in_(among))
    return [(job, number) for job, number in conn.execute(chosen)]


def mark_job(conn: Connection, job: str) -> None:
    """Ask for an assessment of a job.

    Raises
    ------
    StoreError : no such job (raised where the transaction is opened).
    """
    conn.execute(_raise_for_job(conn.dialect.name), {"job": job, "mark": 1, "assessed": 0})


def mark_jobs_of(conn: Connection, hours: Iterable[tuple[str, int]]) -> None:
    """Mark the jobs whose placements share time with hours (probe, start in ms) that readings have landed in.

    So a reading beside a placement, but in the same hour, marks the job too: one assessment that changes nothing.
    """
    pairs = list(hours)
    if pairs:
        conn.execute(_raise_for_hours(conn.dialect.name), {"pairs": as_pairs(pairs)})


def clear_mark(conn: Connection, job: str, mark_seen: int) -> None:
    """A job was assessed; it stays marked if its mark has risen past `mark_seen` meanwhile."""
    conn.execute(_CLEARED, {"the_job": job, "seen": mark_seen})


# --- statements ---------------------------------------------------------------------------------------------

_MARKED = (
    select(mark.c.job, mark.c.mark)
    .where(mark.c.mark > mark.c.assessed, mark.c.job.not_in(select(archived_readings.c.job)))
    .order_by(mark.c.job)
)
"""A job whose readings are archived waits until they are put back."""

_CLEARED = (
    update(mark)
    .where(mark.c.job == bindparam("the_job"), mark.c.assessed < bindparam("seen"))
    .values(assessed=bindparam("seen"))
)


@lru_cache(maxsize=4)
def _raise_for_job(dialect: str) -> Insert:
    return insert_or_update(dialect, mark, lambda excluded: {"mark": mark.c.mark + 1})


@lru_cache(maxsize=4)
def _raise_for_hours(dialect: str) -> Update:
    pair = probe_times(dialect)
    covering = select(placement.c.job).join_from(
        pair,
        placement,
        and_(
            placement.c.probe == pair.c.probe,
            placement.c.from_ms < pair.c.time_ms + HOUR_MS,
            or_(placement.c.to_ms.is_(None), pair.c.time_ms < placement.c.to_ms),
        ),
    )
    chosen = select(mark.c.job).where(mark.c.job.in_(covering))
    if dialect == "postgresql":  # in one order, else two batches that land at once could wait for each other
        chosen = chosen.order_by(mark.c.job).with_for_update(key_share=True)
    return update(mark).where(mark.c.job.in_(chosen)).values(mark=mark.c.mark + 1)
