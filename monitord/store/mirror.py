"""What a mirror of the readings in another database has still to be told: noted with the readings, in one commit.

Not each reading is noted but each clock hour of a probe, with the stamp of its first reading that is due. So a mirror
that is away for long costs a row an hour and probe, a late reading is found like any other, and one that was told is
not told again. Without a mirror nothing is noted; one that is switched on, or pointed elsewhere, is due everything.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import (
    Connection,
    Insert,
    Select,
    and_,
    bindparam,
    case,
    delete,
    func,
    insert,
    literal,
    select,
    union,
    update,
)

from monitord.store.db.mirror_tables import mirror_assessment, mirror_hour, mirror_parked, mirror_state
from monitord.store.db.statements import Row, as_pairs, insert_or_ignore, insert_or_update, insert_rows, probe_times
from monitord.store.db.tables import hourly, probe_name, reading, touched_hour
from monitord.store.db.times import HOUR_MS, from_ms, hour_of, to_ms
from monitord.store.series.keeping import elsewhere

_ROW = 1
_PARKED_KEPT = 10_000
"""Lines that are kept when the server refuses them; the oldest go. Our choice."""


class DueHour(NamedTuple):
    """An hour of a probe with readings that are due, from a stamp on."""

    probe: str
    hour_ms: int
    from_ms: int
    changes: int


@dataclass(frozen=True)
class MirrorState:
    """How a mirror stands."""

    target: str
    accepted_at: datetime | None
    """When the server last took something."""
    failing_since: datetime | None
    refused: bool
    """It will take nothing until someone changes something."""
    problem: str | None
    due_hours: int
    """Hours of probes with readings that it has not been told."""
    due_assessments: int
    parked: int
    """Lines that it refused for what they say."""


class ParkedLine(NamedTuple):
    """A line that the server refused for what it says."""

    parked_at: datetime
    line: str
    reason: str


# --- noted by the store ------------------------------------------------------------------------------------------


def note_readings(conn: Connection, keys: Iterable[tuple[str, int]]) -> None:
    """Note new readings, each by probe and stamp [ms], in the transaction that stores them."""
    if conn.exec_driver_sql(_ON).first() is None:
        return
    first: dict[tuple[str, int], int] = {}
    for probe, time_ms in keys:
        hour = (probe, hour_of(time_ms))
        first[hour] = min(time_ms, first.get(hour, time_ms))
    insert_rows(conn, _note_hour(conn.dialect.name), [(*hour, since, 1) for hour, since in sorted(first.items())])


# --- switched on and off -----------------------------------------------------------------------------------------


def switch_on(conn: Connection, target: str) -> bool:
    """Have readings noted for a mirror; True: it is new, or another one than before, and is due everything there is."""
    known = conn.execute(select(mirror_state.c.target)).scalar_one_or_none()
    if known == target:
        return False
    switch_off(conn)
    conn.execute(insert(mirror_state), {"id": _ROW, "target": target, "refused": 0})
    due_again(conn)
    return True


def switch_off(conn: Connection) -> None:
    """Forget the mirror, and what it is due; what it was told stays where it is."""
    for table in (mirror_state, mirror_hour, mirror_assessment, mirror_parked):
        conn.execute(delete(table))


def due_again(conn: Connection) -> None:
    """Make every stored reading due, and give parked lines another try."""
    conn.execute(delete(mirror_parked))
    conn.execute(_note_all(conn.dialect.name, elsewhere(conn) is not None))


# --- asked by the mirror -----------------------------------------------------------------------------------------


def due_hours(conn: Connection, limit: int) -> list[DueHour]:
    """Some of the hours that are due, the oldest first."""
    return [DueHour(*row) for row in conn.execute(_DUE.limit(limit))]


def due_readings(conn: Connection, hours: Sequence[DueHour], limit: int) -> list[tuple[int, Row]]:
    """Readings of hours that are due, by hour and stamp, each with the place of its hour in `hours`."""
    store = elsewhere(conn)
    if store is not None:
        stretches = store.of_stretches([(hour.probe, hour.from_ms, hour.hour_ms + HOUR_MS) for hour in hours])
        return [(place, row[:9]) for place, rows in enumerate(stretches) for row in rows][:limit]
    pairs = as_pairs((hour.probe, hour.from_ms) for hour in hours)
    found = conn.execute(_due_readings(conn.dialect.name).limit(limit), {"pairs": pairs})
    return [(row[0], tuple(row[1:])) for row in found]


def settle_hours(conn: Connection, done: Sequence[DueHour], partly: tuple[DueHour, int] | None = None) -> None:
    """The server has answered for these hours, and for one of them up to a stamp [ms].

    An hour that got another reading meanwhile stays due: its part is told again, which changes nothing there.
    """
    if done:
        conn.execute(_SETTLE, [{"p": hour.probe, "h": hour.hour_ms, "seen": hour.changes} for hour in done])
    if partly is not None:
        hour, next_ms = partly
        conn.execute(_SETTLE_PARTLY, {"p": hour.probe, "h": hour.hour_ms, "seen": hour.changes, "next": next_ms})


def note_assessment(conn: Connection, job: str, slot_ms: int, as_of_ms: int, lines: Sequence[str]) -> None:
    """Note what an assessment says; a later one of the same slot takes its place."""
    row = {"job": job, "slot_ms": slot_ms, "as_of_ms": as_of_ms, "lines": "\n".join(lines)}
    conn.execute(_note_assessment(conn.dialect.name), row)


def due_assessments(conn: Connection, limit: int) -> list[tuple[str, int, int, list[str]]]:
    """Job, slot, time and lines of some of the assessments that are due, the oldest first. [ms]"""
    found = conn.execute(_DUE_ASSESSMENTS.limit(limit))
    return [(row.job, row.slot_ms, row.as_of_ms, row.lines.split("\n")) for row in found]


def settle_assessments(conn: Connection, done: Sequence[tuple[str, int, int, list[str]]]) -> None:
    """The server has answered for these; one that was replaced meanwhile stays due."""
    if done:
        conn.execute(_SETTLE_ASSESSMENT, [{"j": job, "s": slot, "seen": at} for job, slot, at, _ in done])


def park(conn: Connection, lines: Iterable[tuple[str, str]], at: datetime) -> None:
    """Keep lines that the server refuses, each with the reason, in place of telling them for ever."""
    for line, reason in lines:
        row = {"digest": hashlib.sha256(line.encode()).hexdigest(), "parked_ms": to_ms(at)}
        conn.execute(insert_or_ignore(conn.dialect.name, mirror_parked), {**row, "line": line, "reason": reason})
    newest = conn.execute(select(func.max(mirror_parked.c.id))).scalar_one_or_none() or 0
    conn.execute(delete(mirror_parked).where(mirror_parked.c.id <= newest - _PARKED_KEPT))


def note_accepted(conn: Connection, at: datetime) -> None:
    """The server takes what it is told."""
    conn.execute(update(mirror_state).values(accepted_ms=to_ms(at), failing_ms=None, refused=0, problem=None))


def note_problem(conn: Connection, problem: str, at: datetime, *, refused: bool) -> None:
    """The server takes nothing; the time of the first failure in a row stays."""
    since = func.coalesce(mirror_state.c.failing_ms, to_ms(at))
    conn.execute(update(mirror_state).values(failing_ms=since, refused=int(refused), problem=problem))


# --- asked by others ---------------------------------------------------------------------------------------------


def state(conn: Connection) -> MirrorState | None:
    """How the mirror stands; None: there is none."""
    row = conn.execute(select(mirror_state)).first()
    if row is None:
        return None
    return MirrorState(
        target=row.target,
        accepted_at=None if row.accepted_ms is None else from_ms(row.accepted_ms),
        failing_since=None if row.failing_ms is None else from_ms(row.failing_ms),
        refused=bool(row.refused),
        problem=row.problem,
        due_hours=conn.execute(select(func.count()).select_from(mirror_hour)).scalar_one(),
        due_assessments=conn.execute(select(func.count()).select_from(mirror_assessment)).scalar_one(),
        parked=conn.execute(select(func.count()).select_from(mirror_parked)).scalar_one(),
    )


def parked_lines(conn: Connection, limit: int = 100) -> list[ParkedLine]:
    """The newest lines that the server refused for what they say."""
    found = conn.execute(select(mirror_parked).order_by(mirror_parked.c.id.desc()).limit(limit))
    return [ParkedLine(from_ms(row.parked_ms), row.line, row.reason) for row in found]


# --- statements --------------------------------------------------------------------------------------------------

_ON = "SELECT id FROM mirror_state"
"""As text: it is asked at every commit of readings, and SQLAlchemy's own way costs twice as much."""

_DUE = select(mirror_hour).order_by(mirror_hour.c.hour_ms, mirror_hour.c.probe)

_SETTLE = delete(mirror_hour).where(
    mirror_hour.c.probe == bindparam("p"),
    mirror_hour.c.hour_ms == bindparam("h"),
    mirror_hour.c.changes == bindparam("seen"),
)

_SETTLE_PARTLY = (
    update(mirror_hour)
    .where(
        mirror_hour.c.probe == bindparam("p"),
        mirror_hour.c.hour_ms == bindparam("h"),
        mirror_hour.c.changes == bindparam("seen"),
    )
    .values(from_ms=bindparam("next"))
)

_DUE_ASSESSMENTS = select(mirror_assessment).order_by(mirror_assessment.c.slot_ms, mirror_assessment.c.job)

_SETTLE_ASSESSMENT = delete(mirror_assessment).where(
    mirror_assessment.c.job == bindparam("j"),
    mirror_assessment.c.slot_ms == bindparam("s"),
    mirror_assessment.c.as_of_ms == bindparam("seen"),
)


def _earlier(excluded: Any) -> dict[str, Any]:
    return {
        "from_ms": case((excluded.from_ms < mirror_hour.c.from_ms, excluded.from_ms), else_=mirror_hour.c.from_ms),
        "changes": mirror_hour.c.changes + 1,
    }


@lru_cache(maxsize=4)
def _note_hour(dialect: str) -> Insert:
    return insert_or_update(dialect, mirror_hour, _earlier)


@lru_cache(maxsize=4)
def _note_all(dialect: str, outside: bool) -> Insert:
    """Of the hours that hold readings in the table, or of all that were ever noted."""
    hour_ms = (reading.c.time_ms - reading.c.time_ms % HOUR_MS).label("hour_ms")
    known = union(select(hourly.c.probe_id, hourly.c.hour), select(touched_hour)).subquery()
    start_ms = (known.c.hour * HOUR_MS).label("hour_ms")
    every = (
        select(probe_name.c.name, start_ms, start_ms, literal(1))
        .join_from(known, probe_name, probe_name.c.id == known.c.probe_id)
        .where(probe_name.c.name != "")  # SQLite can't tell ON CONFLICT from a join without a WHERE
        if outside
        else select(probe_name.c.name, hour_ms, func.min(reading.c.time_ms), literal(1))
        .join_from(reading, probe_name, probe_name.c.id == reading.c.probe_id)
        .where(probe_name.c.name != "")
        .group_by(probe_name.c.name, hour_ms)
    )
    return insert_or_update(dialect, mirror_hour, _earlier, rows=every)


@lru_cache(maxsize=4)
def _note_assessment(dialect: str) -> Insert:
    return insert_or_update(
        dialect,
        mirror_assessment,
        lambda excluded: {"as_of_ms": excluded.as_of_ms, "lines": excluded.lines},
        where=lambda excluded: mirror_assessment.c.as_of_ms <= excluded.as_of_ms,
    )


@lru_cache(maxsize=4)
def _due_readings(dialect: str) -> Select[Any]:
    pair = probe_times(dialect)
    in_hour = and_(
        reading.c.probe_id == probe_name.c.id,
        reading.c.time_ms >= pair.c.time_ms,
        reading.c.time_ms < pair.c.time_ms - pair.c.time_ms % HOUR_MS + HOUR_MS,
    )
    values = (
        probe_name.c.name,
        reading.c.time_ms,
        reading.c.temperature_c,
        reading.c.relative_humidity_pct,
        reading.c.surface_temperature_c,
        reading.c.battery_v,
        reading.c.battery_pct,
        reading.c.pressure_hpa,
        reading.c.rssi_dbm,
    )
    named = select(pair.c.n, *values).join_from(pair, probe_name, probe_name.c.name == pair.c.probe)
    return named.join(reading, in_hour).order_by(pair.c.n, reading.c.time_ms)
