"""Readings land here: each is kept once, unaltered, with all that follows from it in the same transaction.

The key is (probe, time), to the millisecond. A repeat is harmless: it may come by another gateway or at another
signal strength, or leave values out. A repeat that says anything else than what is stored is a conflict: the
first is kept, the other goes to quarantine.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from functools import lru_cache
from operator import itemgetter, sub
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection, Select, and_, bindparam, insert, select, update
from sqlalchemy.exc import IntegrityError

from monitord.model.readings import Reading
from monitord.store import mirror, pending_jobs, quarantine
from monitord.store.db.statements import Row, as_pairs, ids_of, insert_columns, probe_times
from monitord.store.db.tables import NEVER_MS, arrival_ms, gateway_name, probe_name, reading
from monitord.store.db.times import HOUR_MS
from monitord.store.last_seen import LastSeen, note_last_seen, probes_seen, unplaced
from monitord.store.series import rollups
from monitord.store.series.keeping import elsewhere
from monitord.store.series.raw_reading import MEASURED, Key, RawReading, raw, reading_of
from monitord.store.series.records import load_hourly, load_job_record, load_series

if TYPE_CHECKING:
    from monitord.store.series.influx.readings import InfluxReadings

__all__ = [
    "BatchResult",
    "LastSeen",
    "insert_batch",
    "load_hourly",
    "load_job_record",
    "load_series",
    "probes_seen",
    "unplaced",
]

CONFLICT = "conflict"
"""Reason code in quarantine."""


_PROBE, _KEY = itemgetter(0), itemgetter(0, 1)


@dataclass(frozen=True)
class BatchResult:
    """What became of a batch of readings."""

    inserted: int = 0
    repeats: int = 0
    conflicts: list[Reading] = field(default_factory=list)
    """Readings that contradict a stored one of the same key; they are in quarantine too."""


def insert_batch(conn: Connection, readings: Sequence[Reading], retained: Set[int] = frozenset()) -> BatchResult:
    """Store readings, as `insert_raw` does.

    Parameters
    ----------
    conn : A writing transaction.
    readings : In order of arrival.
    retained : Indices in `readings` that came as a retained message replayed by the broker.
    """
    rows = [raw(reading) for reading in readings]
    return insert_raw(conn, [row.replayed() if index in retained else row for index, row in enumerate(rows)])


def insert_raw(conn: Connection, arrived: Sequence[RawReading]) -> BatchResult:
    """Store readings, note the hours they touched, who reported and what the mirror is due, and mark the jobs.

    Parameters
    ----------
    conn : A writing transaction.
    arrived : In order of arrival; those replayed by the broker are stored, but don't count as seen until a live copy
        comes: a replay must not make a dead probe look alive.
    """
    if not arrived:
        return BatchResult()
    numbers = ids_of(conn, probe_name, map(_PROBE, arrived))
    fresh, revived, repeated, contrary = _keep(conn, arrived, numbers)
    note_last_seen(conn, _seen((*fresh, *revived, *repeated), numbers))
    kept = [*fresh, *repeated]
    touched = _hours(kept)
    rollups.touch(conn, [(numbers[probe], hour) for probe, hour in touched])
    pending_jobs.mark_jobs_of(conn, [(probe, hour * HOUR_MS) for probe, hour in touched | _hours(revived)])
    mirror.note_readings(conn, map(_KEY, kept))
    conflicts = [reading_of(row) for row, _ in contrary]
    for reading_, (_, first) in zip(conflicts, contrary, strict=True):
        _quarantine(conn, reading_, first)
    return BatchResult(
        inserted=len(fresh),
        repeats=len(arrived) - len(fresh) - len(contrary),
        conflicts=conflicts,
    )


def _hours(rows: Sequence[RawReading]) -> set[tuple[str, int]]:
    return set(zip(map(_PROBE, rows), [row[1] // HOUR_MS for row in rows], strict=True))


def _seen(rows: Iterable[RawReading], numbers: Mapping[str, int]) -> Iterator[Row]:
    """Those that came live, by number, stamp and arrival."""
    for row in rows:
        live_ms = row[-1]
        if live_ms != NEVER_MS:
            yield numbers[row[0]], row[1], row[-2] if live_ms is None else live_ms


class _Kept(NamedTuple):
    """What became of the keys of a batch."""

    fresh: Sequence[RawReading]
    """Stored now."""
    revived: list[RawReading]
    """Stored as a replay only, until this live copy came."""
    repeated: list[RawReading]
    """Stored before, in another store: what follows from them may have got lost with a process, and is noted again."""
    contrary: list[tuple[RawReading, RawReading]]
    """Conflicts: what came, and the reading that it contradicts."""


def _keep(conn: Connection, arrived: Sequence[RawReading], numbers: Mapping[str, int]) -> _Kept:
    readings_store = elsewhere(conn)
    if readings_store is not None:
        return _keep_elsewhere(conn, readings_store, arrived)
    # almost always no key of it was stored, and none came twice
    if _insert_new(conn, arrived, numbers) is None:
        return _Kept(arrived, [], [], [])
    stored = _stored(conn, arrived)
    while True:
        changed, contrary = _settle(arrived, stored)
        fresh = [row for key, row in changed.items() if key not in stored]
        refusal = _insert_new(conn, fresh, numbers)
        if refusal is None:
            break
        known, stored = stored, _stored(conn, arrived)  # again where another process stored some in between
        if len(stored) == len(known):
            raise refusal
    revived = [row for key, row in changed.items() if key in stored]
    _revive(conn, revived, numbers)
    return _Kept(fresh, revived, [], contrary)


def _keep_elsewhere(conn: Connection, store: InfluxReadings, arrived: Sequence[RawReading]) -> _Kept:
    """Look up the keys, write what is new. The transaction is still open then, so the broker hears of neither."""
    if conn.dialect.name == "postgresql":
        conn.exec_driver_sql(_ONE_AT_A_TIME)
    stored = store.find(row.key for row in arrived)
    changed, contrary = _settle(arrived, stored)
    store.write(list(changed.values()))
    fresh = [row for key, row in changed.items() if key not in stored]
    revived = [row for key, row in changed.items() if key in stored]
    repeated = [row for key, row in stored.items() if key not in changed]
    return _Kept(fresh, revived, repeated, contrary)


def _insert_new(conn: Connection, rows: Sequence[RawReading], numbers: Mapping[str, int]) -> IntegrityError | None:
    """Insert rows, if none of them is stored already and no key comes twice; else the refusal, and none is kept.

    So a batch costs no look-up of its keys before it is known that there is something to be found. The savepoint is our
    own: after any other error there may be none to go back to, as SQLite ends the transaction when the disk is full.
    """
    if not rows:
        return None
    columns = _columns(conn, rows, numbers)
    conn.exec_driver_sql("SAVEPOINT new_readings")
    try:
        insert_columns(conn, _INSERT_NEW, columns)
    except IntegrityError as refusal:
        conn.exec_driver_sql("ROLLBACK TO SAVEPOINT new_readings")
        return refusal
    conn.exec_driver_sql("RELEASE SAVEPOINT new_readings")
    return None


def _columns(conn: Connection, rows: Sequence[RawReading], numbers: Mapping[str, int]) -> list[Sequence[Any]]:
    """The columns of the table, with numbers for names and the delay for the arrival; a probe's rows by time."""
    probes, times, *values, names, received, live = zip(*sorted(rows, key=_KEY), strict=True)
    gateways: dict[str | None, int | None] = {None: None}
    gateways.update(ids_of(conn, gateway_name, {name for name in names if name is not None}))
    delays = list(map(sub, received, times))
    return [[numbers[probe] for probe in probes], times, *values, [gateways[name] for name in names], delays, live]


def _settle(
    arrived: Sequence[RawReading], stored: Mapping[Key, RawReading]
) -> tuple[dict[Key, RawReading], list[tuple[RawReading, RawReading]]]:
    """What changes in the table, and the conflicts: each with the row that it contradicts."""
    changed: dict[Key, RawReading] = {}
    contrary: list[tuple[RawReading, RawReading]] = []
    for row in arrived:
        key = row.key
        first = changed.get(key) or stored.get(key)
        if first is None:
            changed[key] = row
        elif _contradicts(row.measured, first.measured):
            contrary.append((row, first))
        elif row.live_ms is None and first.live_ms is not None and row.received_ms < first.live_ms:
            # seen as a replay only, until this live copy came
            changed[key] = first._replace(live_ms=row.received_ms)
    return changed, contrary


def _contradicts(measured: Row, stored: Row) -> bool:
    """Whether a repeat carries anything that is not stored already."""
    return measured != stored and any(
        value is not None and value != first for value, first in zip(measured, stored, strict=True)
    )


def _stored(conn: Connection, arrived: Sequence[RawReading]) -> dict[Key, RawReading]:
    pairs = as_pairs(row.key for row in arrived)
    found = conn.execute(_readings_of_keys(conn.dialect.name), {"pairs": pairs})
    return {(row[0], row[1]): RawReading(*row) for row in found}


def _revive(conn: Connection, rows: Sequence[RawReading], numbers: Mapping[str, int]) -> None:
    if rows:
        conn.execute(_SET_LIVE, [{"p": numbers[row.probe], "t": row.time_ms, "live": row.live_ms} for row in rows])


def _quarantine(conn: Connection, arrived: Reading, stored: RawReading) -> None:
    differences = [
        f"{name} {getattr(stored, name)} is stored, {getattr(arrived, name)} came"
        for name in MEASURED
        if getattr(arrived, name) not in (None, getattr(stored, name))
    ]
    quarantine.put(
        conn,
        topic="",
        # without the time of arrival, so that the same message delivered again is known as the same
        payload=arrived.model_dump_json(exclude={"received_at"}, exclude_none=True).encode(),
        received_at=arrived.received_at,
        code=CONFLICT,
        reason=f"probe {arrived.probe} at {arrived.time.isoformat()}: " + ", ".join(differences),
    )


# --- statements ---------------------------------------------------------------------------------------------

_ONE_AT_A_TIME = "SELECT pg_advisory_xact_lock(20250301)"
"""Between the look-up in another store and the write there, no other process may write the same key."""

_INSERT_NEW = insert(reading)

_SET_LIVE = (
    update(reading)
    .where(reading.c.probe_id == bindparam("p"), reading.c.time_ms == bindparam("t"))
    .values(live_ms=bindparam("live"))
)


@lru_cache(maxsize=4)
def _readings_of_keys(dialect: str) -> Select[Any]:
    pair = probe_times(dialect)
    measured = [reading.c[name] for name in MEASURED]
    return (
        select(probe_name.c.name, reading.c.time_ms, *measured, reading.c.rssi_dbm, gateway_name.c.name, arrival_ms)
        .add_columns(reading.c.live_ms)
        .join_from(pair, probe_name, probe_name.c.name == pair.c.probe)
        .join(reading, and_(reading.c.probe_id == probe_name.c.id, reading.c.time_ms == pair.c.time_ms))
        .outerjoin(gateway_name, gateway_name.c.id == reading.c.gateway_id)
    )
