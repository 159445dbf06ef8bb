"""Hourly roll-ups: made where they are read, and kept, so that a ninety-day assessment costs as much as a nine-day one.

A commit of readings only notes which hours of which probes it has touched (`touched_hour`); a late reading touches its
hour again. `renew` rolls up the touched hours that are over and takes the notes away in the same transaction: once for
each hour and round of assessment, however many batches have fallen into it. It counts up the probe's `renewals`, so
that whoever keeps hours in memory knows that some have changed.

A row of `hourly` holds every reading of a probe in a clock hour, rolled up by `monitord.model.series`. What is read is
always exactly what was known at the time asked for. These are rolled up again from their readings as they are read:

- an hour that was touched since its row was made, or that has none yet;
- read as of an earlier time, or at the edge of a placement, an hour whose row may hold readings of another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    Connection,
    Delete,
    FromClause,
    Insert,
    Select,
    Table,
    Update,
    and_,
    bindparam,
    delete,
    func,
    select,
    tuple_,
    union_all,
    update,
)
from sqlalchemy.sql import ColumnElement

from monitord.model.series import HOUR_S, Array, Hourly, Series, roll_up_by
from monitord.store.db.database import Database
from monitord.store.db.statements import (
    Row,
    as_pairs,
    columns_of,
    insert_or_ignore,
    insert_or_update,
    insert_rows,
    names_of,
    probe_hours,
)
from monitord.store.db.tables import arrival_ms, hourly, probe_name, reading, touched_hour
from monitord.store.db.times import HOUR_MS
from monitord.store.series.keeping import elsewhere

if TYPE_CHECKING:
    from monitord.store.series.influx.readings import InfluxReadings

Hour = tuple[int, int]
"""A probe's number and a clock hour, in hours since 1970."""

_COLUMNS = tuple(Hourly.__dataclass_fields__)
"""Of the table after `probe_id`, in its order (`hour_s` is `hour` there); `delay_ms` follows."""

_AT_ONCE = 2000
"""Hours rolled up in one transaction, so that readings that land wait a fraction of a second at most. Our choice."""


def touch(conn: Connection, hours: Iterable[Hour]) -> None:
    """Note that readings have landed in these hours."""
    insert_rows(conn, _touch(conn.dialect.name), sorted(hours))


def renew(conn: Connection, before_ms: int) -> int:
    """Roll up touched hours that are over by a time [ms]; how many were, at most `_AT_ONCE`."""
    hours = [(probe, hour) for probe, hour in conn.execute(_TOUCHED, _over(before_ms, _AT_ONCE))]
    if hours:
        _roll_up(conn, hours)
        pairs = {"pairs": as_pairs(hours)}
        conn.execute(_untouch(conn.dialect.name), pairs)
        conn.execute(_count_renewals(conn.dialect.name), pairs)
    return len(hours)


def renew_all(db: Database, before_ms: int, moved: Callable[[], object] = lambda: None) -> None:
    """Roll up every touched hour that is over by a time [ms], in short transactions; `moved` is called after each.

    Raises
    ------
    StoreError : the database refused. What reads the hours rolls them up for itself until this succeeds.
    """
    with db.read() as conn:
        waiting = conn.execute(_TOUCHED, _over(before_ms, 1)).first() is not None
    while waiting:
        with db.write() as conn:
            waiting = renew(conn, before_ms) == _AT_ONCE
        moved()


def _over(by_ms: int, at_most: int) -> dict[str, int]:
    return {"end": by_ms // HOUR_MS, "most": at_most}


def load(conn: Connection, probe: str, *, since_ms: int, end_ms: int, received_ms: int) -> Hourly:
    """The hours of a probe's readings stamped since <= time < end and received by a time. [ms]"""
    if end_ms <= since_ms:
        return Hourly()
    window = _window(probe, since_ms, end_ms)
    probe_id, *columns, delay_ms = columns_of(conn, _HOURS, window, len(_COLUMNS) + 2)
    noted = columns_of(conn, _TOUCHED_OF_PROBE, window, 2)
    hour, touched = columns[0], noted[1]
    columns[0] = hour * HOUR_S
    cut = [edge // HOUR_MS for edge in (since_ms, end_ms) if edge % HOUR_MS]
    again = np.isin(hour, cut) | (hour * HOUR_MS + delay_ms > received_ms) | np.isin(hour, touched)
    hours = np.union1d(hour[again], touched)
    if not len(hours):
        return Hourly(*columns)
    number = int(np.r_[probe_id, noted[0]][0])
    bounds = {"since": since_ms, "end": end_ms, "received": received_ms}
    at, series = _read(conn, [(number, round(hour)) for hour in hours], bounds)
    renewed = roll_up_by(hours[at] * HOUR_S, series)
    merged = [np.r_[old[~again], getattr(renewed, name)] for name, old in zip(_COLUMNS, columns, strict=True)]
    order = np.argsort(merged[0])
    return Hourly(*(column[order] for column in merged))


def counted(conn: Connection, before: Sequence[Hour]) -> list[tuple[int, int]]:
    """Of each probe before an hour: the readings in the rows of its hours, and when the last of them came. [ms]"""
    found = {
        n: (int(count), int(came))
        for n, count, came in conn.execute(_counted(conn.dialect.name), {"pairs": as_pairs(before)})
    }
    return [found.get(n, (0, 0)) for n in range(len(before))]


def any_touched(conn: Connection, before: Sequence[Hour]) -> bool:
    """Whether any of some probes has an hour before one that readings have landed in since it was rolled up."""
    return conn.execute(_touched_before(conn.dialect.name), {"pairs": as_pairs(before)}).first() is not None


def reached_since(conn: Connection, probe: str, *, since_ms: int, end_ms: int, received_ms: int) -> list[Hour]:
    """Hours with readings stamped since <= time < end that may hold one that arrived at or after a time. [ms]"""
    window = _window(probe, since_ms, end_ms) | {"received": received_ms}
    return sorted({(number, hour) for number, hour in conn.execute(_REACHED, window)})


def _window(probe: str, since_ms: int, end_ms: int) -> dict[str, str | int]:
    """The hours that hold any time since <= time < end."""
    return {"probe": probe, "since": since_ms // HOUR_MS, "end": -(-end_ms // HOUR_MS)}


def _roll_up(conn: Connection, hours: list[Hour]) -> None:
    at, series = _read(conn, hours)
    rolled = roll_up_by(at.astype(np.float64), series)
    received = np.maximum.reduceat(series.received_s, np.flatnonzero(np.r_[True, np.diff(at) > 0]))
    insert_rows(conn, _keep_hour(conn.dialect.name), _rows(hours, rolled, received))


def _read(
    conn: Connection, hours: Sequence[Hour], bounds: dict[str, int] | None = None
) -> tuple[NDArray[np.intp], Series]:
    """Readings of many hours, hour by hour: the index of each one's hour, and as much as a roll-up looks at.

    `received_s` stays in milliseconds. `bounds`: since <= stamp < end, and received by a time. [ms]
    """
    store = elsewhere(conn)
    if store is not None:
        found = _read_elsewhere(conn, store, hours, bounds)
    elif bounds is None:
        found = columns_of(conn, _readings_of_hours(conn.dialect.name), {"pairs": as_pairs(hours)}, 5)
    else:
        known = _known_readings_of_hours(conn.dialect.name)
        found = columns_of(conn, known, {"pairs": as_pairs(hours), **bounds}, 5)
    found = found[:, np.argsort(found[0], kind="stable")]
    return found[0].astype(np.intp), Series(
        temperature_c=found[1],
        relative_humidity_pct=found[2],
        surface_temperature_c=found[3],
        received_s=found[4],
    )


def _read_elsewhere(
    conn: Connection, store: InfluxReadings, hours: Sequence[Hour], bounds: dict[str, int] | None
) -> Array:
    names = names_of(conn, probe_name, {number for number, _ in hours})
    place, time_ms, *values, arrived, _ = store.of_hours([(names[number], hour) for number, hour in hours], HOUR_MS)
    found = np.array([place, *values[:3], arrived])
    if bounds is None:
        return found
    known = (time_ms >= bounds["since"]) & (time_ms < bounds["end"]) & (arrived <= bounds["received"])
    return found[:, known]


def _rows(hours: list[Hour], rolled: Hourly, received_ms: Array) -> list[Row]:
    """Rows of the table; `rolled.hour_s` holds the index of each hour in `hours`."""
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
    return [(*hours[index], *values, received - hours[index][1] * HOUR_MS) for index, *values, received in columns]


# --- statements ---------------------------------------------------------------------------------------------


def _of_window(table: Table) -> ColumnElement[bool]:
    number = select(probe_name.c.id).where(probe_name.c.name == bindparam("probe")).scalar_subquery()
    return and_(table.c.probe_id == number, table.c.hour >= bindparam("since"), table.c.hour < bindparam("end"))


_HOURS = select(hourly).where(_of_window(hourly)).order_by(hourly.c.hour)

_TOUCHED_OF_PROBE = select(touched_hour).where(_of_window(touched_hour))

_REACHED = union_all(
    select(hourly.c.probe_id, hourly.c.hour).where(
        _of_window(hourly), hourly.c.hour * HOUR_MS + hourly.c.delay_ms >= bindparam("received")
    ),
    _TOUCHED_OF_PROBE,
)

_TOUCHED = (
    select(touched_hour)
    .where(touched_hour.c.hour < bindparam("end"))
    .order_by(touched_hour.c.probe_id, touched_hour.c.hour)
    .limit(bindparam("most"))
)
"""Looks at all of them: one for each probe that reports at present, and few besides."""


@lru_cache(maxsize=4)
def _touch(dialect: str) -> Insert:
    return insert_or_ignore(dialect, touched_hour)


@lru_cache(maxsize=4)
def _untouch(dialect: str) -> Delete:
    pair = probe_hours(dialect)
    key = tuple_(touched_hour.c.probe_id, touched_hour.c.hour)
    return delete(touched_hour).where(key.in_(select(pair.c.probe_id, pair.c.hour)))


@lru_cache(maxsize=4)
def _count_renewals(dialect: str) -> Update:
    pair = probe_hours(dialect)
    return (
        update(probe_name)
        .where(probe_name.c.id.in_(select(pair.c.probe_id)))
        .values(renewals=probe_name.c.renewals + 1)
    )


@lru_cache(maxsize=4)
def _counted(dialect: str) -> Select[Any]:
    pair = probe_hours(dialect)
    before = and_(hourly.c.probe_id == pair.c.probe_id, hourly.c.hour < pair.c.hour)
    came = hourly.c.hour * HOUR_MS + hourly.c.delay_ms
    return select(pair.c.n, func.sum(hourly.c.count), func.max(came)).join_from(pair, hourly, before).group_by(pair.c.n)


@lru_cache(maxsize=4)
def _touched_before(dialect: str) -> Select[Any]:
    pair = probe_hours(dialect)
    before = and_(touched_hour.c.probe_id == pair.c.probe_id, touched_hour.c.hour < pair.c.hour)
    return select(touched_hour.c.hour).join_from(pair, touched_hour, before).limit(1)


def in_hour(pair: FromClause) -> ColumnElement[bool]:
    """Whether a reading lies in an hour of `probe_hours`."""
    return and_(
        reading.c.probe_id == pair.c.probe_id,
        reading.c.time_ms >= pair.c.hour * HOUR_MS,
        reading.c.time_ms < (pair.c.hour + 1) * HOUR_MS,
    )


@lru_cache(maxsize=4)
def _readings_of_hours(dialect: str) -> Select[Any]:
    """Readings of the hours in `pairs`: the hour's n, then what is rolled up."""
    pair = probe_hours(dialect)
    return select(
        pair.c.n,
        reading.c.temperature_c,
        reading.c.relative_humidity_pct,
        reading.c.surface_temperature_c,
        arrival_ms,
    ).join_from(pair, reading, in_hour(pair))


@lru_cache(maxsize=4)
def _known_readings_of_hours(dialect: str) -> Select[Any]:
    """The same, of readings inside bounds of stamp and arrival.

    The bounds are asked of a sum, which no index serves: else SQLite looks for each hour through the whole placement.
    """
    stamp = reading.c.time_ms + 0
    return _readings_of_hours(dialect).where(
        stamp >= bindparam("since"),
        stamp < bindparam("end"),
        arrival_ms <= bindparam("received"),
    )


@lru_cache(maxsize=4)
def _keep_hour(dialect: str) -> Insert:
    changing = [c.name for c in hourly.c if not c.primary_key]
    return insert_or_update(
        dialect,
        hourly,
        lambda excluded: {name: excluded[name] for name in changing},
        where=lambda excluded: excluded["count"] >= hourly.c["count"],
    )
