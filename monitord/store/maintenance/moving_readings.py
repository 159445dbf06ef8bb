"""Raw readings from the table `reading` into InfluxDB, or back, and the proof that they are the same there.

What was written is read back and held against what was read, reading by reading, before the place is noted and, on the
way into InfluxDB, the rows are deleted. Broken off at any moment it can be begun again: the same points, or rows, are
written once more.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sqlalchemy import Connection, delete

from monitord.errors import StoreError
from monitord.store.db.database import Database
from monitord.store.db.tables import probe_name, reading
from monitord.store.series.archived import put_back
from monitord.store.series.influx.readings import InfluxReadings, ReadingRefusedError
from monitord.store.series.keeping import note_place
from monitord.store.series.raw_reading import RawReading
from monitord.store.series.raw_rows import RAW_ROWS

_ROWS = 5000
"""Readings that are held at once: those of one write."""


def to_influxdb(db: Database, store: InfluxReadings, place: str) -> int:
    """Move every reading; how many there were. No daemon may run on the database.

    Raises
    ------
    StoreError : InfluxDB is away, refuses a reading, or does not hold the same. The readings stay where they are.
    """
    count = 0
    with db.read() as conn:
        for rows in _parts(conn):
            _write(store, rows)
            _need_same(rows, _there(store, rows), store.where)
            count += len(rows)
    with db.write() as conn:
        conn.execute(delete(reading))
        note_place(conn, place)
    return count


def to_database(db: Database, store: InfluxReadings) -> int:
    """Move every reading back; how many there were. InfluxDB keeps its points. No daemon may run on the database.

    Raises
    ------
    StoreError : InfluxDB is away, or the table does not hold the same. Nothing was changed.
    """
    count = 0
    with db.write() as conn:
        for probe in store.probes():
            (rows,) = store.of_stretches([(probe, -(2**62), 2**62)])
            put_back(conn, rows)
            back = [RawReading._make(row) for row in conn.execute(_ALL.where(probe_name.c.name == probe))]
            _need_same(rows, back, db.url)
            count += len(rows)
        note_place(conn, None)
    return count


def _parts(conn: Connection) -> Iterator[list[RawReading]]:
    found = conn.execute(_ALL, execution_options={"yield_per": _ROWS})
    for part in found.partitions():
        yield [RawReading._make(row) for row in part]


def _write(store: InfluxReadings, rows: Sequence[RawReading]) -> None:
    try:
        store.write(rows)
    except ReadingRefusedError as error:
        raise StoreError(
            "a reading is refused there; all of them stay where they are",
            where=store.where,
            why=str(error),
            remedy="Let the bucket keep its points for ever (retention 0)",
        ) from error


def _there(store: InfluxReadings, rows: Sequence[RawReading]) -> list[RawReading]:
    ends: dict[str, tuple[int, int]] = {}
    for row in rows:
        first, last = ends.get(row.probe, (row.time_ms, row.time_ms))
        ends[row.probe] = min(first, row.time_ms), max(last, row.time_ms)
    stretches = [(probe, first, last + 1) for probe, (first, last) in ends.items()]
    return [row for found in store.of_stretches(stretches) for row in found]


def _need_same(went: Sequence[RawReading], came: Sequence[RawReading], where: str) -> None:
    if _plain(went) != _plain(came):
        raise StoreError(
            f"the readings are not the same there: {len(went):,} went, {len(came):,} came",
            where=where,
            remedy="Nothing was changed where they are. Take an empty bucket; else report it",
        )


def _plain(rows: Sequence[RawReading]) -> list[RawReading]:
    """Live when received is said in two ways."""
    return sorted(row._replace(live_ms=row.heard_ms) for row in rows)


_ALL = RAW_ROWS.order_by(reading.c.probe_id, reading.c.time_ms)
