"""Hourly roll-ups: kept up as readings land, so that a ninety-day assessment costs as much as a nine-day one.

A row holds every stored reading of a probe in a clock hour, rolled up by `monitord.model.series`, and how many
readings there are. Two things are settled by rolling that hour up again from its readings when it is read, so that
what comes out is always exactly what was known at the time asked for:

- read as of an earlier time, or at the edge of a stay, a row may hold readings that don't belong there;
- in an hour with very many readings the row may lag behind (`stored` > `count`): rolling up all of them at each
  new one would make a flood of n readings cost n². Past `_ALWAYS` readings a row is renewed each time their number
  has doubled, and when the probe's next hour begins.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Insert, Select, and_, bindparam, or_, select, update

from monitord.model.series import Array, Hourly, Series, roll_up_by
from monitord.store.db.statements import Row, as_pairs, columns_of, insert_or_update, insert_rows, probe_times
from monitord.store.db.tables import hourly, reading
from monitord.store.db.times import HOUR_MS, hour_of

Hour = tuple[str, int]
"""A probe and the start of a clock hour. [ms]"""

_ALWAYS = 60
"""Up to one reading a minute, rows never lag."""

_COLUMNS = tuple(Hourly.__dataclass_fields__)
"""Of the table after `probe`, in its order (`hour_s` is `hour_ms` there); `received_ms` and `stored` follow."""


def refresh(conn: Connection, added: Mapping[Hour, int]) -> None:
    """Account for new readings: how many were added in each hour."""
    if not added:
        return
    found = conn.execute(_hours_of_pairs(conn.dialect.name), {"pairs": as_pairs(added)}).all()
    known = {(probe, hour_ms): (count, stored) for probe, hour_ms, count, stored in found}
    lagging: dict[Hour, int] = {}
    for hour, number in added.items():
        count, stored = known.get(hour, (0, 0))
        if _ALWAYS < stored + number < 2 * count:
            lagging[hour] = number
    due = added.keys() - lagging.keys()
    begun = {probe for probe, hour_ms in added if (probe, hour_ms) not in known}
    if begun:
        due |= {(probe, hour_ms) for probe, hour_ms in conn.execute(_LAGGING).all() if probe in begun}
    _roll_up(conn, sorted(due))
    more = [{"p": hour[0], "h": hour[1], "more": lagging[hour]} for hour in lagging.keys() - due]
    if more:
        conn.execute(_MORE_STORED, more)


def load(conn: Connection, probe: str, *, since_ms: int, end_ms: int, received_ms: int) -> Hourly:
    """The hours of a probe's readings stamped since <= time < end and received by a time. [ms]"""
    if end_ms <= since_ms:
        return Hourly()
    window = {"probe": probe, "since": hour_of(since_ms), "end": end_ms}
    kept = columns_of(conn, _HOURS, window, len(_COLUMNS) + 2)
    *columns, last_received, stored = kept
    columns[0] /= 1000.0
    cut = [edge // HOUR_MS * HOUR_MS / 1000.0 for edge in (since_ms, end_ms) if edge % HOUR_MS]
    again = np.isin(columns[0], cut) | (last_received > received_ms) | (stored > columns[1])
    if not again.any():
        return Hourly(*columns)
    hours = columns[0][again]
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
    return [(probe, hour_ms) for hour_ms in conn.execute(_REACHED, window).scalars()]


def _roll_up(conn: Connection, hours: list[Hour]) -> None:
    if not hours:
        return
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
    count = rolled.count.astype(int).tolist()
    surface = [None if np.isnan(value) else value for value in rolled.surface_temperature_c.tolist()]
    columns = zip(
        rolled.hour_s.astype(int).tolist(),
        count,
        rolled.temperature_c.tolist(),
        rolled.relative_humidity_pct.tolist(),
        surface,
        rolled.temperature_min_c.tolist(),
        rolled.temperature_max_c.tolist(),
        rolled.relative_humidity_min_pct.tolist(),
        rolled.relative_humidity_max_pct.tolist(),
        received_ms.astype(np.int64).tolist(),
        count,
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

_REACHED = select(hourly.c.hour_ms).where(
    hourly.c.probe == bindparam("probe"),
    hourly.c.hour_ms >= bindparam("since"),
    hourly.c.hour_ms < bindparam("end"),
    or_(hourly.c.received_ms >= bindparam("received"), hourly.c.stored > hourly.c.count),
)

_LAGGING = select(hourly.c.probe, hourly.c.hour_ms).where(hourly.c.stored > hourly.c.count)
"""Few at any time, and found by their own index."""

_MORE_STORED = (
    update(hourly)
    .where(hourly.c.probe == bindparam("p"), hourly.c.hour_ms == bindparam("h"))
    .values(stored=hourly.c.stored + bindparam("more"))
)


@lru_cache(maxsize=4)
def _hours_of_pairs(dialect: str) -> Select[Any]:
    """How far the rows of the hours in `pairs` are."""
    pair = probe_times(dialect)
    return select(hourly.c.probe, hourly.c.hour_ms, hourly.c.count, hourly.c.stored).join_from(
        pair, hourly, and_(hourly.c.probe == pair.c.probe, hourly.c.hour_ms == pair.c.time_ms)
    )


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
