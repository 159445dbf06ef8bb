"""Hourly roll-ups: made where they are read, and kept, so that a ninety-day assessment costs as much as a nine-day one.

A commit of readings only notes which hours of which probes it has touched (`touched_hour`); a late reading touches its
hour again. `renew` rolls up the touched hours that are over and takes the notes away in the same transaction: once for
each hour and round of assessment, however many batches have fallen into it.

A row of `hourly` holds every reading of a probe in a clock hour, rolled up by `monitord.model.series`. What is read is
always exactly what was known at the time asked for. These are rolled up again from their readings as they are read:

- an hour that was touched since its row was made, or that has none yet;
- read as of an earlier time, or at the edge of a stay, an hour whose row may hold readings that don't belong there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Delete, Insert, Select, and_, bindparam, delete, select, tuple_, union_all

from monitord.model.series import Array, Hourly, Series, roll_up_by
from monitord.store.db.database import Database
from monitord.store.db.statements import (
    Row,
    as_pairs,
    columns_of,
    insert_or_ignore,
    insert_or_update,
    insert_rows,
    probe_times,
)
from monitord.store.db.tables import hourly, reading, touched_hour
from monitord.store.db.times import HOUR_MS, hour_of

Hour = tuple[str, int]
"""A probe and the start of a clock hour. [ms]"""

_COLUMNS = tuple(Hourly.__dataclass_fields__)
"""Of the table after `probe`, in its order (`hour_s` is `hour_ms` there); `received_ms` follows."""

_AT_ONCE = 2000
"""Hours rolled up in one transaction, so that readings that land wait a fraction of a second at most. Our choice."""


def touch(conn: Connection, hours: Iterable[Hour]) -> None:
    """Note that readings have landed in these hours."""
    insert_rows(conn, _touch(conn.dialect.name), sorted(hours))


def renew(conn: Connection, before_ms: int) -> int:
    """Roll up touched hours that are over by a time [ms]; how many were, at most `_AT_ONCE`."""
    hours = [(probe, hour_ms) for probe, hour_ms in conn.execute(_TOUCHED, {"before": before_ms, "most": _AT_ONCE})]
    if hours:
        _roll_up(conn, hours)
        conn.execute(_untouch(conn.dialect.name), {"pairs": as_pairs(hours)})
    return len(hours)


def renew_all(db: Database, before_ms: int, moved: Callable[[], object] = lambda: None) -> None:
    """Roll up every touched hour that is over by a time [ms], in short transactions; `moved` is called after each.

    Raises
    ------
    StoreError : the database refused. What reads the hours rolls them up for itself until this succeeds.
    """
    with db.read() as conn:
        waiting = conn.execute(_TOUCHED, {"before": before_ms, "most": 1}).first() is not None
    while waiting:
        with db.write() as conn:
            waiting = renew(conn, before_ms) == _AT_ONCE
        moved()


def load(conn: Connection, probe: str, *, since_ms: int, end_ms: int, received_ms: int) -> Hourly:
    """The hours of a probe's readings stamped since <= time < end and received by a time. [ms]"""
    if end_ms <= since_ms:
        return Hourly()
    window = {"probe": probe, "since": hour_of(since_ms), "end": end_ms}
    kept = columns_of(conn, _HOURS, window, len(_COLUMNS) + 1)
    *columns, last_received = kept
    columns[0] /= 1000.0
    touched = np.array(conn.execute(_TOUCHED_OF_PROBE, window).scalars().all(), dtype=np.float64) / 1000.0
    cut = [edge // HOUR_MS * HOUR_MS / 1000.0 for edge in (since_ms, end_ms) if edge % HOUR_MS]
    again = np.isin(columns[0], cut) | (last_received > received_ms) | np.isin(columns[0], touched)
    hours = np.union1d(columns[0][again], touched)
    if not len(hours):
        return Hourly(*columns)
    bounds = {
        "pairs": as_pairs((probe, round(hour * 1000.0)) for hour in hours),
        "since": since_ms,
        "end": end_ms,
        "received": received_ms,
    }
    locations, series = _read(conn, _known_readings_of_hours(conn.dialect.name), bounds)
    renewed = roll_up_by(hours[locations], series)
    merged = [np.r_[old[~again], getattr(renewed, name)] for name, old in zip(_COLUMNS, columns, strict=True)]
    order = np.argsort(merged[0])
    return Hourly(*(column[order] for column in merged))


def reached_since(conn: Connection, probe: str, *, since_ms: int, end_ms: int, received_ms: int) -> list[Hour]:
    """Hours that begin since <= time < end and may hold a reading that arrived at or after a time. [ms]"""
    window = {"probe": probe, "since": hour_of(since_ms), "end": end_ms, "received": received_ms}
    return [(probe, hour_ms) for hour_ms in sorted(set(conn.execute(_REACHED, window).scalars()))]


def _roll_up(conn: Connection, hours: list[Hour]) -> None:
    locations, series = _read(conn, _readings_of_hours(conn.dialect.name), {"pairs": as_pairs(hours)})
    rolled = roll_up_by(locations.astype(np.float64), series)
    received = np.maximum.reduceat(series.received_s, np.flatnonzero(np.r_[True, np.diff(locations) > 0]))
    insert_rows(conn, _keep_hour(conn.dialect.name), _rows(hours, rolled, received))


def _read(conn: Connection, statement: Select[Any], parameters: dict[str, Any]) -> tuple[NDArray[np.intp], Series]:
    """Readings of many hours, hour by hour: the place of each one's hour, and as much as a roll-up looks at.

    `received_s` stays in milliseconds.
    """
    found = columns_of(conn, statement, parameters, 5)
    found = found[:, np.argsort(found[0], kind="stable")]
    return found[0].astype(np.intp), Series(
        temperature_c=found[1],
        relative_humidity_pct=found[2],
        surface_temperature_c=found[3],
        received_s=found[4],
    )


def _rows(hours: list[Hour], rolled: Hourly, received_ms: Array) -> list[Row]:
    """Rows of the table; `rolled.hour_s` holds the place of each hour in `hours`."""
    surface = [None if np.isnan(value) else value for value in rolled.surface_temperature_c.tolist()]
    columns = zip(
        rolled.hour_s.astype(int).tolist(),
        rolled.count.astype(int).tolist(),
        rolled.temperature_c.tolist(),
        rolled.relative_humidity_pct.tolist(),
        surface,
        rolled.temperature_min_c.tolist(),
        rolled.temperature_max_c.tolist(),
        rolled.relative_humidity_min_pct.tolist(),
        rolled.relative_humidity_max_pct.tolist(),
        received_ms.astype(np.int64).tolist(),
        strict=True,
    )
    return [(*hours[location], *values) for location, *values in columns]


# --- statements ---------------------------------------------------------------------------------------------

_HOURS = (
    select(*(c for c in hourly.c if c.name != "probe"))
    .where(
        hourly.c.probe == bindparam("probe"),
        hourly.c.hour_ms >= bindparam("since"),
        hourly.c.hour_ms < bindparam("end"),
    )
    .order_by(hourly.c.hour_ms)
)

_TOUCHED_OF_PROBE = select(touched_hour.c.hour_ms).where(
    touched_hour.c.probe == bindparam("probe"),
    touched_hour.c.hour_ms >= bindparam("since"),
    touched_hour.c.hour_ms < bindparam("end"),
)

_REACHED = union_all(
    select(hourly.c.hour_ms).where(
        hourly.c.probe == bindparam("probe"),
        hourly.c.hour_ms >= bindparam("since"),
        hourly.c.hour_ms < bindparam("end"),
        hourly.c.received_ms >= bindparam("received"),
    ),
    _TOUCHED_OF_PROBE,
)

_TOUCHED = (
    select(touched_hour.c.probe, touched_hour.c.hour_ms)
    .where(touched_hour.c.hour_ms <= bindparam("before") - HOUR_MS)
    .order_by(touched_hour.c.probe, touched_hour.c.hour_ms)
    .limit(bindparam("most"))
)
"""Looks at all of them: one for each probe that is heard at present, and few besides."""


@lru_cache(maxsize=4)
def _touch(dialect: str) -> Insert:
    return insert_or_ignore(dialect, touched_hour)


@lru_cache(maxsize=4)
def _untouch(dialect: str) -> Delete:
    pair = probe_times(dialect)
    key = tuple_(touched_hour.c.probe, touched_hour.c.hour_ms)
    return delete(touched_hour).where(key.in_(select(pair.c.probe, pair.c.time_ms)))


@lru_cache(maxsize=4)
def _readings_of_hours(dialect: str) -> Select[Any]:
    """Readings of the hours in `pairs`: the hour's n, then what is rolled up."""
    pair = probe_times(dialect)
    return select(
        pair.c.n,
        reading.c.temperature_c,
        reading.c.relative_humidity_pct,
        reading.c.surface_temperature_c,
        reading.c.received_ms,
    ).join_from(
        pair,
        reading,
        and_(
            reading.c.probe == pair.c.probe,
            reading.c.time_ms >= pair.c.time_ms,
            reading.c.time_ms < pair.c.time_ms + HOUR_MS,
        ),
    )


@lru_cache(maxsize=4)
def _known_readings_of_hours(dialect: str) -> Select[Any]:
    """The same, of readings inside bounds of stamp and arrival."""
    return _readings_of_hours(dialect).where(
        reading.c.time_ms >= bindparam("since"),
        reading.c.time_ms < bindparam("end"),
        reading.c.received_ms <= bindparam("received"),
    )


@lru_cache(maxsize=4)
def _keep_hour(dialect: str) -> Insert:
    changing = [c.name for c in hourly.c if not c.primary_key]
    return insert_or_update(dialect, hourly, lambda excluded: {name: excluded[name] for name in changing})
