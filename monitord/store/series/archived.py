"""Raw readings of closed jobs that lie in an evidence pack: what is taken out, and put back.

Roll-ups, alerts, assessments and all else of the job stay. What is taken out is every raw reading of its
placements, but for those that something else still needs: of the broken hours at a placement's ends, whose roll-ups
hold readings beside it, and each probe's newest live one. A reading that comes late for an archived hour is kept;
that hour's roll-up stays as it was until the others are put back (`rollups`).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, Insert, and_, delete, exists, func, insert, select, update
from sqlalchemy.sql import ColumnElement

from monitord.errors import StoreError
from monitord.model.jobs import JobFile, Placement
from monitord.store import pending_jobs
from monitord.store.db.archive_tables import archived_readings
from monitord.store.db.mirror_tables import mirror_hour
from monitord.store.db.statements import ids_of, insert_or_update, insert_rows
from monitord.store.db.tables import arrival_ms, gateway_name, heard, probe_name, reading, touched_hour
from monitord.store.db.times import HOUR_MS, from_ms, hour_of, to_ms
from monitord.store.series import rollups
from monitord.store.series.keeping import elsewhere
from monitord.store.series.raw_reading import RawReading
from monitord.store.series.raw_rows import RAW_ROWS

AT_ONCE = 2000
"""Readings taken out or put back in one transaction, so that those that land wait little. Our choice."""

_a = archived_readings.c


class Archived(NamedTuple):
    """Where the raw readings of a job lie."""

    job: str
    file: str
    """Name of the pack, without its folder."""
    sha256: str
    readings: int
    as_of: datetime
    """Readings that arrived by then are in it."""
    archived_at: datetime
    removed_at: datetime | None
    """When the last of them had been taken out; None: some may still be in the database."""


def archived(conn: Connection, job: str) -> Archived | None:
    """Where the raw readings of a job lie; None: in the database."""
    row = conn.execute(select(archived_readings).where(_a.job == job)).first()
    return None if row is None else _archived(row)


def all_archived(conn: Connection) -> list[Archived]:
    """All jobs whose raw readings are archived, by id."""
    return [_archived(row) for row in conn.execute(select(archived_readings).order_by(_a.job))]


def need_readings(conn: Connection, job: str) -> None:
    """Refuse what can't be done without the raw readings.

    Raises
    ------
    StoreError : they are archived.
    """
    found = archived(conn, job)
    if found is not None:
        raise StoreError(
            "its raw readings are archived",
            where=f"job {job}",
            why=f"in {found.file}, since {found.archived_at:%Y-%m-%d}",
            remedy="Put them back first: `monitord job restore-readings PACK`",
        )


def stored_readings(conn: Connection, job: JobFile, as_of: datetime) -> list[RawReading]:
    """Every raw reading of the job's placements that arrived by a time, with all that came with it.

    Raises
    ------
    StoreError : they are not in the database.
    """
    if (store := elsewhere(conn)) is not None:
        raise StoreError(
            "its raw readings are not in the database",
            where=store.where,
            remedy="InfluxDB keeps or drops them by its own means; `monitord evidence` packs them as well",
        )
    found: list[RawReading] = []
    for placement in job.probes:
        chosen = RAW_ROWS.where(_in_placement(placement, to_ms(as_of))).order_by(reading.c.time_ms)
        found.extend(RawReading._make(row) for row in conn.execute(chosen))
    return found


def begin(conn: Connection, made: Archived, job: JobFile) -> None:
    """Note that a pack holds the readings of a closed job; from now on they may be taken out.

    Raises
    ------
    StoreError : it is archived already, or something of its readings is still under way.
    """
    if (before := archived(conn, job.job)) is not None:
        raise StoreError("its readings are archived already", where=f"job {job.job}", why=f"in {before.file}")
    as_of_ms = to_ms(made.as_of)
    there = sum(_count(conn, _in_placement(placement, as_of_ms)) for placement in job.probes)
    if there != made.readings or any(_under_way(conn, placement) for placement in job.probes):
        raise StoreError(
            "readings of it were coming in, or are on their way to the mirror",
            where=f"job {job.job}",
            remedy="Try again; `monitord mirror show` says what the mirror is due",
        )
    conn.execute(
        insert(archived_readings),
        {
            "job": made.job,
            "file": made.file,
            "sha256": made.sha256,
            "readings": made.readings,
            "as_of_ms": as_of_ms,
            "archived_ms": to_ms(made.archived_at),
        },
    )


def take_out(conn: Connection, job: JobFile, as_of: datetime) -> int:
    """Take some of an archived job's raw readings out; how many, 0 when there are none left to be taken."""
    for placement in job.probes:
        chosen = and_(_in_placement(placement, to_ms(as_of), whole_hours=True), ~_IS_NEWEST)
        last = select(reading.c.time_ms).where(chosen).order_by(reading.c.time_ms).offset(AT_ONCE - 1).limit(1)
        bound = conn.execute(last).scalar_one_or_none()
        some = chosen if bound is None else and_(chosen, reading.c.time_ms <= bound)
        taken = int(conn.execute(delete(reading).where(some)).rowcount)
        if taken:
            return taken
    return 0


def finish(conn: Connection, job: str, at: datetime) -> None:
    """Note that all that can be taken out has been."""
    conn.execute(update(archived_readings).where(_a.job == job).values(removed_ms=to_ms(at)))


def put_back(conn: Connection, rows: Sequence[RawReading]) -> None:
    """Put raw readings back as they were; again changes nothing. Their hours are rolled up anew at the next round."""
    probes = ids_of(conn, probe_name, {row.probe for row in rows})
    gateways = ids_of(conn, gateway_name, {row.gateway for row in rows if row.gateway is not None})
    stored = sorted(
        (
            probes[row.probe],
            *row[1:9],
            None if row.gateway is None else gateways[row.gateway],
            row.received_ms - row.time_ms,
            row.live_ms,
        )
        for row in rows
    )
    insert_rows(conn, _put(conn.dialect.name), stored)
    rollups.touch(conn, {(probes[row.probe], row.time_ms // HOUR_MS) for row in rows})


def forget(conn: Connection, job: str) -> None:
    """The readings are back: the job is assessed again."""
    conn.execute(delete(archived_readings).where(_a.job == job))
    pending_jobs.mark_job(conn, job)


def _archived(row: Any) -> Archived:
    removed = None if row.removed_ms is None else from_ms(row.removed_ms)
    return Archived(
        row.job, row.file, row.sha256, row.readings, from_ms(row.as_of_ms), from_ms(row.archived_ms), removed
    )


def _ends(placement: Placement, *, whole_hours: bool) -> tuple[int, int]:
    """Start and end of an ended placement, or of the clock hours that it holds whole. [ms]"""
    since, end = to_ms(placement.from_time), to_ms(placement.to_time or placement.from_time)
    return (hour_of(since + HOUR_MS - 1), hour_of(end)) if whole_hours else (since, end)


def _in_placement(placement: Placement, as_of_ms: int, *, whole_hours: bool = False) -> ColumnElement[bool]:
    since, end = _ends(placement, whole_hours=whole_hours)
    return and_(
        reading.c.probe_id == _number(placement),
        reading.c.time_ms >= since,
        reading.c.time_ms < end,
        arrival_ms <= as_of_ms,
    )


def _number(placement: Placement) -> ColumnElement[int]:
    return select(probe_name.c.id).where(probe_name.c.name == placement.probe).scalar_subquery()


def _count(conn: Connection, chosen: ColumnElement[bool]) -> int:
    return int(conn.execute(select(func.count()).select_from(reading).where(chosen)).scalar_one())


def _under_way(conn: Connection, placement: Placement) -> bool:
    """Whether hours of a placement wait to be rolled up, or for the mirror."""
    since, end = _ends(placement, whole_hours=True)
    touched = select(touched_hour.c.hour).where(
        touched_hour.c.probe_id
        == select(probe_name.c.id).where(probe_name.c.name == placement.probe).scalar_subquery(),
        touched_hour.c.hour * HOUR_MS >= since,
        touched_hour.c.hour * HOUR_MS < end,
    )
    due = select(mirror_hour.c.hour_ms).where(
        mirror_hour.c.probe == placement.probe, mirror_hour.c.hour_ms >= since, mirror_hour.c.hour_ms < end
    )
    return any(conn.execute(each.limit(1)).first() is not None for each in (touched, due))


# --- statements ---------------------------------------------------------------------------------------------

_IS_NEWEST = exists().where(heard.c.probe_id == reading.c.probe_id, heard.c.time_ms == reading.c.time_ms)
"""What is shown of a probe that was heard at last."""


@lru_cache(maxsize=4)
def _put(dialect: str) -> Insert:
    changing = [c.name for c in reading.c if not c.primary_key]
    return insert_or_update(dialect, reading, lambda excluded: {name: excluded[name] for name in changing})
