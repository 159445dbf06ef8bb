"""Readings land here: each is kept once, unaltered, with all that follows from it in the same transaction.

The key is (probe, time), to the millisecond. A repeat is harmless: it may come by another gateway or at another
signal strength, or leave values out. A repeat that says anything else than what is stored is a conflict: the
first is kept, the other goes to quarantine.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, and_, bindparam, insert, select, update
from sqlalchemy.exc import IntegrityError

from monitord.model.readings import Reading
from monitord.store import mirror, pending_jobs, quarantine
from monitord.store.db.statements import Row, as_pairs, ids_of, insert_rows, probe_times
from monitord.store.db.tables import NEVER_MS, arrival_ms, gateway_name, probe_name, reading
from monitord.store.db.times import HOUR_MS, hour_of, to_ms
from monitord.store.last_seen import LastSeen, note_last_seen, probes_seen, unplaced
from monitord.store.series import rollups
from monitord.store.series.records import load_hourly, load_job_record, load_series

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

Key = tuple[str, int]

CONFLICT = "conflict"
"""Reason code in quarantine."""

_MEASURED = (
    "temperature_c",
    "relative_humidity_pct",
    "surface_temperature_c",
    "battery_v",
    "battery_pct",
    "pressure_hpa",
)
"""What a repeat is held against; the gateway and the signal strength are the way's, not the measurement's."""


@dataclass(frozen=True)
class BatchResult:
    """What became of a batch of readings."""

    inserted: int = 0
    repeats: int = 0
    conflicts: list[Reading] = field(default_factory=list)
    """Readings that contradict a stored one of the same key; they are in quarantine too."""


class _Row(NamedTuple):
    """A reading, in the order of the table's columns."""

    probe: str
    time_ms: int
    temperature_c: float
    relative_humidity_pct: float
    surface_temperature_c: float | None
    battery_v: float | None
    battery_pct: float | None
    pressure_hpa: float | None
    rssi_dbm: float | None
    gateway: str | None
    received_ms: int
    live_ms: int | None

    @property
    def key(self) -> Key:
        return self[:2]

    @property
    def measured(self) -> Row:
        return self[2:8]


def insert_batch(conn: Connection, readings: Sequence[Reading], retained: Set[int] = frozenset()) -> BatchResult:
    """Store readings, note the hours they touched, who reported and what the mirror is due, and mark the jobs.

    Parameters
    ----------
    conn : A writing transaction.
    readings : In order of arrival.
    retained : Places in `readings` that came as a retained message replayed by the broker. They are stored, but
        don't count as seen until a live copy comes: a replay must not make a dead probe look alive.
    """
    if not readings:
        return BatchResult()
    arrived = [_row(item, NEVER_MS if location in retained else None) for location, item in enumerate(readings)]
    numbers = ids_of(conn, probe_name, (row.probe for row in arrived))
    stored: dict[Key, _Row] = {}
    while True:
        changed, contrary = _settle(arrived, stored)
        fresh = [row for key, row in changed.items() if key not in stored]
        refusal = _insert_new(conn, _numbered(conn, fresh, numbers))
        if refusal is None:
            break
        known, stored = stored, _stored(conn, arrived)  # once; again where another process stored some in between
        if len(stored) == len(known):
            raise refusal
    revived = [row for key, row in changed.items() if key in stored]
    _revive(conn, revived, numbers)
    note_last_seen(conn, [_heard(row, numbers) for row in changed.values() if row.live_ms != NEVER_MS])
    touched = {(row.probe, hour_of(row.time_ms)) for row in fresh}
    rollups.touch(conn, [(numbers[probe], time_ms // HOUR_MS) for probe, time_ms in touched])
    pending_jobs.mark_jobs_of(conn, touched.union((row.probe, hour_of(row.time_ms)) for row in revived))
    mirror.note_readings(conn, (row.key for row in fresh))
    for location, first in contrary:
        _quarantine(conn, readings[location], first)
    return BatchResult(
        inserted=len(fresh),
        repeats=len(readings) - len(fresh) - len(contrary),
        conflicts=[readings[location] for location, _ in contrary],
    )


def _numbered(conn: Connection, rows: Sequence[_Row], numbers: Mapping[str, int]) -> list[Row]:
    """The rows as the table has them, with numbers for names and the delay for the arrival, in the order of its key."""
    gateways = ids_of(conn, gateway_name, {row.gateway for row in rows if row.gateway is not None})
    return sorted(
        (
            numbers[row.probe],
            *row[1:9],
            None if row.gateway is None else gateways[row.gateway],
            row.received_ms - row.time_ms,
            row.live_ms,
        )
        for row in rows
    )


def _insert_new(conn: Connection, rows: Sequence[Row]) -> IntegrityError | None:
    """Insert rows none of which is stored already, as is so for almost every batch; else the refusal, none is kept.

    So a batch costs no look-up of its keys before it is known that there is something to be found. The savepoint is our
    own: after any other error there may be none to go back to, as SQLite ends the transaction when the disk is full.
    """
    conn.exec_driver_sql("SAVEPOINT new_readings")
    try:
        insert_rows(conn, _INSERT_NEW, rows)
    except IntegrityError as refusal:
        conn.exec_driver_sql("ROLLBACK TO SAVEPOINT new_readings")
        return refusal
    conn.exec_driver_sql("RELEASE SAVEPOINT new_readings")
    return None


def _settle(arrived: Sequence[_Row], stored: Mapping[Key, _Row]) -> tuple[dict[Key, _Row], list[tuple[int, _Row]]]:
    """What changes in the table, and the conflicts: each one's place in `arrived` and the row it contradicts."""
    changed: dict[Key, _Row] = {}
    contrary: list[tuple[int, _Row]] = []
    for location, row in enumerate(arrived):
        key = row.key
        first = changed.get(key) or stored.get(key)
        if first is None:
            changed[key] = row
        elif _contradicts(row.measured, first.measured):
            contrary.append((location, first))
        elif row.live_ms is None and first.live_ms is not None and row.received_ms < first.live_ms:
            # seen as a replay only, until this live copy came
            changed[key] = first._replace(live_ms=row.received_ms)
    return changed, contrary


def _heard(row: _Row, numbers: Mapping[str, int]) -> Row:
    return numbers[row.probe], row.time_ms, row.received_ms if row.live_ms is None else row.live_ms


def _row(arrived: Reading, live_ms: int | None) -> _Row:
    return _Row(
        arrived.probe,
        to_ms(arrived.time),
        arrived.temperature_c,
        arrived.relative_humidity_pct,
        arrived.surface_temperature_c,
        arrived.battery_v,
        arrived.battery_pct,
        arrived.pressure_hpa,
        arrived.rssi_dbm,
        arrived.gateway,
        to_ms(arrived.received_at),
        live_ms,
    )


def _contradicts(measured: Row, stored: Row) -> bool:
    """Whether a repeat carries anything that is not stored already."""
    return measured != stored and any(
        value is not None and value != first for value, first in zip(measured, stored, strict=True)
    )


def _stored(conn: Connection, arrived: Sequence[_Row]) -> dict[Key, _Row]:
    pairs = as_pairs(row.key for row in arrived)
    found = conn.execute(_readings_of_keys(conn.dialect.name), {"pairs": pairs})
    return {(row[0], row[1]): _Row(*row) for row in found}


def _revive(conn: Connection, rows: Sequence[_Row], numbers: Mapping[str, int]) -> None:
    if rows:
        conn.execute(_SET_LIVE, [{"p": numbers[row.probe], "t": row.time_ms, "live": row.live_ms} for row in rows])


def _quarantine(conn: Connection, arrived: Reading, stored: _Row) -> None:
    differences = [
        f"{name} {getattr(stored, name)} is stored, {getattr(arrived, name)} came"
        for name in _MEASURED
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

_INSERT_NEW = insert(reading)

_SET_LIVE = (
    update(reading)
    .where(reading.c.probe_id == bindparam("p"), reading.c.time_ms == bindparam("t"))
    .values(live_ms=bindparam("live"))
)


@lru_cache(maxsize=4)
def _readings_of_keys(dialect: str) -> Select[Any]:
    pair = probe_times(dialect)
    measured = [reading.c[name] for name in _MEASURED]
    return (
        select(probe_name.c.name, reading.c.time_ms, *measured, reading.c.rssi_dbm, gateway_name.c.name, arrival_ms)
        .add_columns(reading.c.live_ms)
        .join_from(pair, probe_name, probe_name.c.name == pair.c.probe)
        .join(reading, and_(reading.c.probe_id == probe_name.c.id, reading.c.time_ms == pair.c.time_ms))
        .outerjoin(gateway_name, gateway_name.c.id == reading.c.gateway_id)
    )
