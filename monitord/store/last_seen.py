"""Which probe was seen, and when.

A probe counts as seen at the stamp of its newest live reading, or at that reading's arrival if that is
earlier: staleness runs on measured time, a backlog does not make a probe look alive, and neither does a clock
that runs ahead. Retained replays and conflicts don't count.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Insert, Select, Text, and_, bindparam, case, cast, exists, func, or_, select

from monitord.store.db.statements import Row, given_names, insert_or_update, insert_rows
from monitord.store.db.tables import arrival_ms, gateway_name, heard, placement, probe_name, reading
from monitord.store.db.times import from_ms
from monitord.store.series.keeping import elsewhere

if TYPE_CHECKING:
    from monitord.store.series.influx.readings import InfluxReadings


@dataclass(frozen=True)
class LastSeen:
    """The newest live reading of a probe."""

    probe: str
    last_seen_at: datetime
    """`time`, or its arrival if that was earlier (a probe whose clock runs ahead)."""
    time: datetime
    """The reading's own stamp."""
    received_at: datetime
    """When anything live last came, a backlog included."""
    temperature_c: float
    relative_humidity_pct: float
    battery_v: float | None
    battery_pct: float | None
    rssi_dbm: float | None
    gateway: str | None


def probes_seen(conn: Connection) -> list[LastSeen]:
    """Every probe ever seen live, by id."""
    return _said(conn, _HEARD, _KEYS)


def times_seen(conn: Connection, probes: Iterable[str] | None = None) -> dict[str, datetime]:
    """When each of some probes, or each of all, was last seen; those that never were are absent."""
    if probes is None:
        rows = conn.execute(_TIMES)
    else:
        rows = conn.execute(_times_of(conn.dialect.name), {"names": json.dumps(sorted(set(probes)))})
    return {name: from_ms(heard_ms) for name, heard_ms in rows}


def newest_seen(conn: Connection) -> datetime | None:
    """When any probe was last seen."""
    newest = conn.execute(_NEWEST).scalar_one()
    return None if newest is None else from_ms(newest)


def unplaced(conn: Connection) -> list[LastSeen]:
    """Probes that were last seen at a time at which no job has placed them, by id."""
    return _said(conn, _HEARD.where(_NOT_PLACED), _KEYS.where(_NOT_PLACED))


def _said(conn: Connection, joined: Select[Any], keys: Select[Any]) -> list[LastSeen]:
    """What the newest live readings said, by the statement that joins them or, kept elsewhere, by their keys."""
    store = elsewhere(conn)
    if store is None:
        return [_heard(row) for row in conn.execute(joined)]
    rows = conn.execute(keys).all()
    found = store.find((row.name, row.time_ms) for row in rows)
    return [
        _heard((*row, said[2], said[3], said[5], said[6], said[8], said[9]))
        for row in rows
        if (said := found.get((row.name, row.time_ms))) is not None
    ]


def note_last_seen(conn: Connection, live: Iterable[Row]) -> None:
    """Note live readings, each as (probe's number, stamp, arrival). [ms]"""
    newest: dict[int, tuple[int, int]] = {}
    received: dict[int, int] = {}
    for probe, time_ms, received_ms in live:
        this = (time_ms if time_ms < received_ms else received_ms, time_ms)
        if this >= newest.get(probe, this):
            newest[probe] = this
        if received_ms >= received.get(probe, received_ms):
            received[probe] = received_ms
    rows = [(probe, *newest[probe], received[probe]) for probe in sorted(newest)]
    insert_rows(conn, _keep_newest(conn.dialect.name), rows)


def last_seen_in_placement(
    conn: Connection, probe: str, from_time_ms: int, to_time_ms: int, known_by_ms: int
) -> int | None:
    """When a probe was last seen with a stamp inside a placement, as known at a time. [ms]"""
    store = elsewhere(conn)
    if store is not None:
        return _seen_elsewhere(store, probe, from_time_ms, to_time_ms, known_by_ms)
    placement = {"probe": probe, "from": from_time_ms, "to": to_time_ms, "known_by": known_by_ms}
    newest = conn.execute(_NEWEST_OF_PLACEMENT, placement).first()
    if newest is None:
        return None
    time_ms, live_ms = newest
    if time_ms <= live_ms:
        return int(time_ms)
    # its clock runs ahead: of the readings stamped after that arrival, another may have arrived later
    best = conn.execute(_BEST_OF_PLACEMENT, placement | {"from": max(from_time_ms, live_ms)}).scalar_one()
    return max(int(live_ms), int(best))


def _seen_elsewhere(store: InfluxReadings, probe: str, from_ms: int, end_ms: int, known_by_ms: int) -> int | None:
    newest = store.newest(probe, from_ms, end_ms, known_by_ms)
    if newest is None:
        return None
    if newest.time_ms <= newest.heard_ms:
        return newest.time_ms
    (rows,) = store.of_stretches([(probe, max(from_ms, newest.heard_ms), end_ms)])
    return max(newest.heard_ms, *(min(row.time_ms, row.heard_ms) for row in rows if row.heard_ms <= known_by_ms))


def _heard(row: Any) -> LastSeen:
    return LastSeen(row[0], from_ms(row[1]), from_ms(row[2]), from_ms(row[3]), *row[4:])


# --- statements ---------------------------------------------------------------------------------------------

_HEARD = (
    select(
        probe_name.c.name,
        heard.c.heard_ms,
        heard.c.time_ms,
        heard.c.received_ms,
        reading.c.temperature_c,
        reading.c.relative_humidity_pct,
        reading.c.battery_v,
        reading.c.battery_pct,
        reading.c.rssi_dbm,
        gateway_name.c.name,
    )
    .join_from(heard, reading, and_(reading.c.probe_id == heard.c.probe_id, reading.c.time_ms == heard.c.time_ms))
    .join(probe_name, probe_name.c.id == heard.c.probe_id)
    .outerjoin(gateway_name, gateway_name.c.id == reading.c.gateway_id)
    .order_by(probe_name.c.name)
)

_KEYS = (
    select(probe_name.c.name, heard.c.heard_ms, heard.c.time_ms, heard.c.received_ms)
    .join_from(heard, probe_name, probe_name.c.id == heard.c.probe_id)
    .order_by(probe_name.c.name)
)

_TIMES = select(probe_name.c.name, heard.c.heard_ms).join_from(heard, probe_name, probe_name.c.id == heard.c.probe_id)

_NEWEST = select(func.max(heard.c.heard_ms))

_NOT_PLACED = ~exists().where(
    placement.c.probe == probe_name.c.name,
    placement.c.from_ms <= heard.c.heard_ms,
    or_(placement.c.to_ms.is_(None), heard.c.heard_ms < placement.c.to_ms),
)

_live_ms = func.coalesce(reading.c.live_ms, arrival_ms)

_OF_PLACEMENT = and_(
    reading.c.probe_id == select(probe_name.c.id).where(probe_name.c.name == bindparam("probe")).scalar_subquery(),
    reading.c.time_ms >= bindparam("from"),
    reading.c.time_ms < bindparam("to"),
    _live_ms <= bindparam("known_by"),
)

_NEWEST_OF_PLACEMENT = (
    select(reading.c.time_ms, _live_ms).where(_OF_PLACEMENT).order_by(reading.c.time_ms.desc()).limit(1)
)

_BEST_OF_PLACEMENT = select(func.max(case((reading.c.time_ms < _live_ms, reading.c.time_ms), else_=_live_ms))).where(
    _OF_PLACEMENT
)


@lru_cache(maxsize=4)
def _times_of(dialect: str) -> Select[Any]:
    return _TIMES.where(probe_name.c.name.in_(select(cast(given_names(dialect).c.value, Text))))


@lru_cache(maxsize=4)
def _keep_newest(dialect: str) -> Insert:
    def update(excluded: Any) -> dict[str, Any]:
        newer = or_(
            excluded.heard_ms > heard.c.heard_ms,
            and_(excluded.heard_ms == heard.c.heard_ms, excluded.time_ms > heard.c.time_ms),
        )
        return {
            "heard_ms": case((newer, excluded.heard_ms), else_=heard.c.heard_ms),
            "time_ms": case((newer, excluded.time_ms), else_=heard.c.time_ms),
            "received_ms": case(
                (excluded.received_ms > heard.c.received_ms, excluded.received_ms), else_=heard.c.received_ms
            ),
        }

    return insert_or_update(dialect, heard, update)
