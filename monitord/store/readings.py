"""Readings land here: each is kept once, unaltered, with all that follows from it in the same transaction.

The key is (probe, time), to the millisecond. A repeat is harmless: it may come by another gateway or at another
signal strength, or leave values out. A repeat that says anything else than what is stored is a conflict: the
first is kept, the other goes to quarantine.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Insert, Select, and_, bindparam, select, update

from monitord.model.readings import Reading
from monitord.store import marks, quarantine, rollups
from monitord.store.hearing import Heard, last_heard, note_heard, unplaced
from monitord.store.records import load_hourly, load_job_record, load_series
from monitord.store.statements import Row, as_pairs, insert_or_ignore, insert_rows, probe_times
from monitord.store.tables import NEVER_MS, reading
from monitord.store.times import hour_of, to_ms

__all__ = [
    "BatchResult",
    "Heard",
    "insert_batch",
    "last_heard",
    "load_hourly",
    "load_job_record",
    "load_series",
    "unplaced",
]

Key = tuple[str, int]

CONFLICT = "conflict"
"""Reason code in quarantine."""

_MEASURED = ("temperature_c", "relative_humidity_pct", "surface_temperature_c", "battery_v", "pressure_hpa")
"""What a repeat is held against; the gateway and the signal strength are the way's, not the measurement's."""


@dataclass(frozen=True)
class BatchResult:
    """What became of a batch of readings."""

    inserted: int = 0
    repeats: int = 0
    conflicts: list[Reading] = field(default_factory=list)
    """Readings that contradict a stored one of the same key; they are in quarantine too."""


@dataclass
class _Kept:
    """What is, or will be, stored under a key."""

    values: Row
    live_ms: int | None


def insert_batch(conn: Connection, readings: Sequence[Reading], retained: Set[int] = frozenset()) -> BatchResult:
    """Store readings, roll up the hours they fall in, note who was heard, and mark the jobs to be assessed.

    Parameters
    ----------
    conn : A writing transaction.
    readings : In order of arrival.
    retained : Places in `readings` that came as a retained message replayed by the broker. They are stored, but
        don't count as heard until a live copy comes: a replay must not make a dead probe look alive.
    """
    if not readings:
        return BatchResult()
    keys = [(reading.probe, to_ms(reading.time)) for reading in readings]
    kept = _stored(conn, keys)
    fresh: dict[Key, Reading] = {}
    revived: dict[Key, Reading] = {}
    conflicts: list[tuple[Reading, Row]] = []
    for place, (key, arrived) in enumerate(zip(keys, readings, strict=True)):
        values = _values(arrived)
        live_ms = NEVER_MS if place in retained else None
        known = kept.get(key)
        if known is None:
            kept[key] = _Kept(values, live_ms)
            fresh[key] = arrived
        elif _contradicts(values, known.values):
            conflicts.append((arrived, known.values))
        elif live_ms is None and known.live_ms is not None:
            known.live_ms = min(known.live_ms, to_ms(arrived.received_at))
            revived[key] = arrived
    _insert(conn, fresh, kept)
    _revive(conn, {key: kept[key] for key in revived if key not in fresh})
    rollups.refresh(conn, {(probe, hour_of(time_ms)) for probe, time_ms in fresh})
    note_heard(conn, _live(fresh, revived, kept))
    marks.mark_jobs_of(conn, fresh.keys() | revived.keys())
    for arrived, values in conflicts:
        _quarantine(conn, arrived, values)
    return BatchResult(len(fresh), len(readings) - len(fresh) - len(conflicts), [arrived for arrived, _ in conflicts])


def _values(arrived: Reading) -> Row:
    return (
        arrived.temperature_c,
        arrived.relative_humidity_pct,
        arrived.surface_temperature_c,
        arrived.battery_v,
        arrived.pressure_hpa,
    )


def _contradicts(values: Row, stored: Row) -> bool:
    """Whether a repeat carries anything that is not stored already."""
    return values != stored and any(
        value is not None and value != first for value, first in zip(values, stored, strict=True)
    )


def _stored(conn: Connection, keys: Iterable[Key]) -> dict[Key, _Kept]:
    pairs = as_pairs(dict.fromkeys(keys))
    return {
        (row[0], row[1]): _Kept(tuple(row[2:7]), row[7])
        for row in conn.execute(_readings_of_keys(conn.dialect.name), {"pairs": pairs})
    }


def _insert(conn: Connection, fresh: dict[Key, Reading], kept: dict[Key, _Kept]) -> None:
    rows = [
        (
            *key,
            *kept[key].values,
            arrived.rssi_dbm,
            arrived.gateway,
            to_ms(arrived.received_at),
            kept[key].live_ms,
        )
        for key, arrived in sorted(fresh.items(), key=lambda item: item[0])
    ]
    insert_rows(conn, _insert_reading(conn.dialect.name), rows)


def _revive(conn: Connection, kept: dict[Key, _Kept]) -> None:
    if kept:
        conn.execute(
            _SET_LIVE,
            [{"p": probe, "t": time_ms, "live": item.live_ms} for (probe, time_ms), item in kept.items()],
        )


def _live(fresh: dict[Key, Reading], revived: dict[Key, Reading], kept: dict[Key, _Kept]) -> list[Row]:
    """(probe, stamp, arrival) of what was heard live."""
    live = [(*key, to_ms(arrived.received_at)) for key, arrived in fresh.items() if kept[key].live_ms is None]
    return live + [(*key, kept[key].live_ms) for key in revived]


def _quarantine(conn: Connection, arrived: Reading, stored: Row) -> None:
    differences = [
        f"{name} {first} is stored, {value} came"
        for name, value, first in zip(_MEASURED, _values(arrived), stored, strict=True)
        if value is not None and value != first
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

_SET_LIVE = (
    update(reading)
    .where(reading.c.probe == bindparam("p"), reading.c.time_ms == bindparam("t"))
    .values(live_ms=bindparam("live"))
)


@lru_cache(maxsize=4)
def _readings_of_keys(dialect: str) -> Select[Any]:
    pair = probe_times(dialect)
    columns = [reading.c.probe, reading.c.time_ms, *(reading.c[name] for name in _MEASURED), reading.c.live_ms]
    return select(*columns).join_from(
        pair, reading, and_(reading.c.probe == pair.c.probe, reading.c.time_ms == pair.c.time_ms)
    )


@lru_cache(maxsize=4)
def _insert_reading(dialect: str) -> Insert:
    return insert_or_ignore(dialect, reading)
