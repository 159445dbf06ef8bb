"""What is known of a placement, or of a job, as of a time: the input of an assessment.

Whatever the order of arrival, what comes out depends only on which readings had come by that time, so that the
same readings give the same verdict, live or afterwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from sqlalchemy import Connection, Select, and_, bindparam, func, select

from monitord.model.jobs import JobFile, Placement
from monitord.model.series import HOUR_S, LATE_S, Array, Hourly, JobRecord, PlacementRecord, Series
from monitord.store.db.statements import as_pairs, columns_of, known_ids, probe_hours
from monitord.store.db.tables import NEVER_MS, arrival_ms, probe_name, reading
from monitord.store.db.times import HOUR_MS, hour_of, to_ms
from monitord.store.last_seen import last_seen_in_placement
from monitord.store.series import rollups
from monitord.store.series.archived import need_readings
from monitord.store.series.keeping import elsewhere

RECENT_H = 72.0
"""How much of the end of a record is given raw (our choice). [h]"""
_OPEN_MS = NEVER_MS
"""End of a placement that goes on."""
_ALL_MS = NEVER_MS - 1
"""Known by: without a bound."""


def load_series(
    conn: Connection,
    placement: Placement,
    since: datetime,
    until: datetime,
    as_of_received: datetime | None = None,
) -> Series:
    """Raw readings of a placement, stamped since <= time <= until and received by `as_of_received` (None: ever)."""
    bounds = {
        "probe": placement.probe,
        "since": max(to_ms(since), to_ms(placement.from_time)),
        "until": min(to_ms(until), end_ms(placement) - 1),
        "received": _known_by(as_of_received),
    }
    return as_series(_stored(conn, bounds))


def count_readings(conn: Connection, placement: Placement, since: datetime, until: datetime) -> int | None:
    """How many readings of a placement are stamped since <= time <= until; None where they are kept elsewhere.

    Readings never change, so what was made of as many is made of the same.
    """
    if elsewhere(conn) is not None:
        return None
    bounds = {
        "probe": placement.probe,
        "since": max(to_ms(since), to_ms(placement.from_time)),
        "until": min(to_ms(until), end_ms(placement) - 1),
    }
    return int(conn.execute(_COUNT, bounds).scalar_one())


def counted_before(conn: Connection, probes: Sequence[str], hour_s: float) -> tuple[tuple[int, int], ...] | None:
    """Of each probe that was ever heard: its readings before a full hour, and when the last of them came. [ms]

    None where one of these hours is yet to be rolled up, so that a reading may have come that is not counted.
    """
    numbers = known_ids(conn, probe_name, sorted(set(probes)))
    before = [(number, round(hour_s / HOUR_S)) for number in sorted(numbers.values())]
    return None if rollups.any_touched(conn, before) else tuple(rollups.counted(conn, before))


def load_hourly(
    conn: Connection,
    placement: Placement,
    until: datetime,
    as_of_received: datetime | None = None,
    since: datetime | None = None,
) -> Hourly:
    """The hours of a placement that are over by `until`, of what was received by `as_of_received` (None: ever).

    `since`: not before the hour of this time.
    """
    from_ms = to_ms(placement.from_time)
    return rollups.load(
        conn,
        placement.probe,
        since_ms=from_ms if since is None else max(from_ms, hour_of(to_ms(since))),
        end_ms=min(hour_of(to_ms(until)), end_ms(placement)),
        received_ms=_known_by(as_of_received),
    )


def load_job_record(conn: Connection, job: JobFile, as_of: datetime, recent_h: float = RECENT_H) -> JobRecord:
    """What was known of a job at a time: the readings received at or before it.

    Parameters
    ----------
    recent_h : How much of the end is given raw as well. [h]

    Raises
    ------
    StoreError : its raw readings are archived.
    """
    need_readings(conn, job.job)
    since = as_of - timedelta(hours=recent_h)
    return JobRecord(tuple(_placement_record(conn, placement, since, as_of) for placement in job.probes))


def _placement_record(conn: Connection, placement: Placement, since: datetime, as_of: datetime) -> PlacementRecord:
    last_seen_ms = last_seen_in_placement(
        conn, placement.probe, to_ms(placement.from_time), end_ms(placement), to_ms(as_of)
    )
    return PlacementRecord(
        placement=placement,
        recent=as_series(raw_of_placement(conn, placement, to_ms(since), to_ms(as_of))),
        hourly=load_hourly(conn, placement, as_of, as_of),
        last_seen_s=None if last_seen_ms is None else last_seen_ms / 1000.0,
    )


def raw_of_placement(conn: Connection, placement: Placement, since_ms: int, known_by_ms: int | None = None) -> Array:
    """Readings of a placement received by a time (None: ever), as `COLUMNS`, in order of their stamps. [ms]

    They are stamped at or after `since_ms`, or came late, at or after it.
    """
    from_ms, until_ms = to_ms(placement.from_time), end_ms(placement)
    known_by_ms = _ALL_MS if known_by_ms is None else known_by_ms
    bounds = {
        "probe": placement.probe,
        "since": max(since_ms, from_ms),
        "until": until_ms - 1,
        "received": known_by_ms,
    }
    found = _stored(conn, bounds)
    earlier_end_ms = min(since_ms, until_ms)
    hours = rollups.reached_since(conn, placement.probe, since_ms=from_ms, end_ms=earlier_end_ms, received_ms=since_ms)
    if hours:
        came_late = {"from": from_ms, "end": earlier_end_ms, "reached": since_ms, "received": known_by_ms}
        found = np.concatenate([_came_late(conn, placement.probe, hours, came_late), found], axis=1)
    return found


def _stored(conn: Connection, bounds: dict[str, Any]) -> Array:
    """`COLUMNS` of a probe's readings, since <= stamp <= until, received by a time. [ms]"""
    store = elsewhere(conn)
    if store is None:
        return columns_of(conn, _SERIES, bounds, len(COLUMNS))
    found = store.of_stretch(bounds["probe"], bounds["since"], bounds["until"] + 1)
    return found[:, found[ARRIVAL] <= bounds["received"]]


def raw_since(conn: Connection, cuts: Sequence[tuple[str, int, int]]) -> list[Array]:
    """`COLUMNS` of all readings of some probes (name, number), each stamped from an hour on. [hours since 1970]"""
    store = elsewhere(conn)
    if store is not None:
        return store.columns_of_stretches([(name, hour * HOUR_MS, _ALL_MS) for name, _, hour in cuts])
    pairs = as_pairs((number, hour) for _, number, hour in cuts)
    n, *columns = columns_of(conn, _since(conn.dialect.name), {"pairs": pairs}, 1 + len(COLUMNS))
    edges = n.searchsorted(np.arange(len(cuts) + 1))
    return [np.array([column[a:b] for column in columns]) for a, b in pairwise(edges)]


def _came_late(conn: Connection, probe: str, hours: list[rollups.Hour], bounds: dict[str, int]) -> Array:
    """The same of those readings of some hours that came late, and within bounds of arrival."""
    store = elsewhere(conn)
    if store is None:
        pairs = {"pairs": as_pairs(hours), **bounds}
        return columns_of(conn, _late(conn.dialect.name), pairs, len(COLUMNS))
    found = store.of_hours([(probe, hour) for _, hour in hours], HOUR_MS)[1:]
    time_ms, arrived = found[0], found[ARRIVAL]
    late = (time_ms >= bounds["from"]) & (time_ms < bounds["end"]) & (arrived - time_ms > round(LATE_S * 1000))
    return found[:, late & (arrived >= bounds["reached"]) & (arrived <= bounds["received"])]


def as_series(found: Array) -> Series:
    """Rows of `COLUMNS` as a series, which takes the array over."""
    found[0] /= 1000.0
    found[ARRIVAL] /= 1000.0
    return Series(*found)


def end_ms(placement: Placement) -> int:
    """End of a placement; after every time where it goes on. [ms]"""
    return _OPEN_MS if placement.to_time is None else to_ms(placement.to_time)


def _known_by(time: datetime | None) -> int:
    return _ALL_MS if time is None else to_ms(time)


# --- statements ---------------------------------------------------------------------------------------------

COLUMNS = (
    reading.c.time_ms,
    reading.c.temperature_c,
    reading.c.relative_humidity_pct,
    reading.c.surface_temperature_c,
    reading.c.battery_v,
    arrival_ms,
    reading.c.battery_pct,
)
"""What is read of a reading; times in milliseconds."""
STAMP, ARRIVAL = 0, 5
"""Which of them are the times."""

_SERIES: Select[Any] = (
    select(*COLUMNS)
    .where(
        reading.c.probe_id == select(probe_name.c.id).where(probe_name.c.name == bindparam("probe")).scalar_subquery(),
        reading.c.time_ms >= bindparam("since"),
        reading.c.time_ms <= bindparam("until"),
        arrival_ms <= bindparam("received"),
    )
    .order_by(reading.c.time_ms)
)

_COUNT: Select[Any] = select(func.count()).where(
    reading.c.probe_id == select(probe_name.c.id).where(probe_name.c.name == bindparam("probe")).scalar_subquery(),
    reading.c.time_ms >= bindparam("since"),
    reading.c.time_ms <= bindparam("until"),
)


@lru_cache(maxsize=4)
def _since(dialect: str) -> Select[Any]:
    """`COLUMNS` of readings of the probes in `pairs`, each from an hour on; after the probe's n."""
    pair = probe_hours(dialect)
    since = and_(reading.c.probe_id == pair.c.probe_id, reading.c.time_ms >= pair.c.hour * HOUR_MS)
    return select(pair.c.n, *COLUMNS).join_from(pair, reading, since).order_by(pair.c.n, reading.c.time_ms)


@lru_cache(maxsize=4)
def _late(dialect: str) -> Select[Any]:
    """Readings of the hours in `pairs` that came late, and within bounds of arrival."""
    pair = probe_hours(dialect)
    return (
        select(*COLUMNS)
        .join_from(pair, reading, rollups.in_hour(pair))
        .where(
            reading.c.time_ms >= bindparam("from"),
            reading.c.time_ms < bindparam("end"),
            reading.c.delay_ms > round(LATE_S * 1000),
            arrival_ms.between(bindparam("reached"), bindparam("received")),
        )
        .order_by(reading.c.time_ms)
    )
