"""Hourly roll-ups: kept up as readings land, so that a ninety-day assessment costs as much as a nine-day one.

A row holds every stored reading of a probe in a clock hour, rolled up by `monitord.model.series`. When an hour
is read as of an earlier time, or at the edge of a stay, its row may hold readings that don't belong there: then
that hour alone is rolled up again from its readings. So what comes out is exactly what was known at that time.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache

import numpy as np
from sqlalchemy import Connection, Insert, Select, and_, bindparam, select

from monitord.model.series import Array, Hourly, Series, roll_up_by
from monitord.store.statements import (
    Row,
    as_pairs,
    columns_of,
    insert_or_update,
    insert_rows,
    probe_times,
)
from monitord.store.tables import hourly, reading
from monitord.store.times import HOUR_MS, hour_of

_COLUMNS = tuple(Hourly.__dataclass_fields__)
"""Of the table after its key's `probe`, in its order: `hour_s` is `hour_ms` there."""


def refresh(conn: Connection, hours: Collection[tuple[str, int]]) -> None:
    """Roll up again the hours (probe, start in ms) that readings have landed in."""
    ordered = sorted(hours)
    if not ordered:
        return
    found = columns_of(conn, _readings_of_hours(conn.dialect.name), {"pairs": as_pairs(ordered)}, 6)
    found = found[:, np.argsort(found[0], kind="stable")]
    rolled = roll_up_by(found[0], _series(found))
    received = np.maximum.reduceat(found[5], np.flatnonzero(np.r_[True, np.diff(found[0]) > 0]))
    insert_rows(conn, _keep_hour(conn.dialect.name), _rows(ordered, rolled, received))


def load(conn: Connection, probe: str, *, since_ms: int, end_ms: int, received_ms: int) -> Hourly:
    """The hours of a probe's readings stamped since <= time < end and received by a time. [ms]"""
    if end_ms <= since_ms:
        return Hourly()
    window = {"probe": probe, "since": hour_of(since_ms), "end": end_ms}
    kept = columns_of(conn, _HOURS, window, len(_COLUMNS) + 1)
    kept[0] /= 1000.0
    # hours that stick out of the time asked for, and those that something came to later
    cut = {hour_of(since_ms)} if since_ms % HOUR_MS else set()
    if end_ms % HOUR_MS:
        cut.add(hour_of(end_ms))
    late = np.isin(kept[0], [hour / 1000.0 for hour in cut]) | (kept[-1] > received_ms)
    if not late.any():
        return Hourly(*kept[:-1])
    pairs = as_pairs((probe, round(hour * 1000.0)) for hour in kept[0, late])
    bounds = {"pairs": pairs, "since": since_ms, "end": end_ms, "received": received_ms}
    found = columns_of(conn, _known_readings_of_hours(conn.dialect.name), bounds, 6)
    found = found[:, np.argsort(found[0], kind="stable")]
    again = roll_up_by(kept[0, late][found[0].astype(np.intp)], _series(found))
    columns = [np.r_[column[~late], getattr(again, name)] for name, column in zip(_COLUMNS, kept, strict=False)]
    order = np.argsort(columns[0])
    return Hourly(*(column[order] for column in columns))


def _series(found: Array) -> Series:
    """As much of a series as a roll-up looks at, from the columns of `_readings_of_hours`."""
    return Series(
        time_s=found[1],
        temperature_c=found[2],
        relative_humidity_pct=found[3],
        surface_temperature_c=found[4],
        received_s=found[5],
    )


def _rows(keys: list[tuple[str, int]], rolled: Hourly, received_ms: Array) -> list[Row]:
    """Rows of the table; `rolled.hour_s` holds the place of each hour in `keys`."""
    places = rolled.hour_s.astype(int).tolist()
    surface = [None if np.isnan(value) else value for value in rolled.surface_temperature_c.tolist()]
    return [
        (*keys[place], count, t, rh, touched, t_min, t_max, rh_min, rh_max, received)
        for place, count, t, rh, touched, t_min, t_max, rh_min, rh_max, received in zip(
            places,
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
    ]


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


@lru_cache(maxsize=4)
def _readings_of_hours(dialect: str) -> Select[tuple[float, ...]]:
    """Readings of the hours in `pairs`: the hour's n, then what is rolled up."""
    pair = probe_times(dialect)
    return select(
        pair.c.n,
        reading.c.time_ms,
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
def _known_readings_of_hours(dialect: str) -> Select[tuple[float, ...]]:
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
