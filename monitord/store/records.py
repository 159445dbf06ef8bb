"""What is known of a stay, or of a job, as of a time: the input of an assessment.

Whatever the order of arrival, what comes out depends only on which readings had come by that time, so that the
same readings give the same verdict, live or afterwards.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, bindparam, select

from monitord.model.jobs import JobFile, Placement
from monitord.model.series import Hourly, JobRecord, Series, StayRecord
from monitord.store import rollups
from monitord.store.hearing import heard_of_stay
from monitord.store.statements import columns_of
from monitord.store.tables import NEVER_MS, reading
from monitord.store.times import to_ms

_OPEN_MS = NEVER_MS
"""End of a stay that goes on."""
_ALL_MS = NEVER_MS - 1
"""Known by: without a bound."""


def load_series(
    conn: Connection,
    placement: Placement,
    since: datetime,
    until: datetime,
    as_of_received: datetime | None = None,
) -> Series:
    """Raw readings of a stay, stamped since <= time <= until and received by `as_of_received` (None: ever)."""
    bounds = {
        "probe": placement.probe,
        "since": max(to_ms(since), to_ms(placement.from_time)),
        "until": min(to_ms(until), _end_ms(placement) - 1),
        "received": _known_by(as_of_received),
    }
    found = columns_of(conn, _SERIES, bounds, 6)
    found[0] /= 1000.0
    found[5] /= 1000.0
    return Series(*found)


def load_hourly(
    conn: Connection, placement: Placement, until: datetime, as_of_received: datetime | None = None
) -> Hourly:
    """The hours of a stay from its beginning, of readings stamped and received as in `load_series`."""
    return rollups.load(
        conn,
        placement.probe,
        since_ms=to_ms(placement.from_time),
        end_ms=min(to_ms(until) + 1, _end_ms(placement)),
        received_ms=_known_by(as_of_received),
    )


def load_job_record(conn: Connection, job: JobFile, as_of: datetime, recent_h: float = 72.0) -> JobRecord:
    """What was known of a job at a time: readings stamped and received at or before it.

    Parameters
    ----------
    recent_h : How much of the end is given raw as well. [h]
    """
    since = as_of - timedelta(hours=recent_h)
    return JobRecord(tuple(_stay_record(conn, stay, since, as_of) for stay in job.probes))


def _stay_record(conn: Connection, stay: Placement, since: datetime, as_of: datetime) -> StayRecord:
    heard_ms = heard_of_stay(conn, stay.probe, to_ms(stay.from_time), _end_ms(stay), to_ms(as_of))
    return StayRecord(
        placement=stay,
        recent=load_series(conn, stay, since, as_of, as_of),
        hourly=load_hourly(conn, stay, as_of, as_of),
        last_heard_s=None if heard_ms is None else heard_ms / 1000.0,
    )


def _end_ms(placement: Placement) -> int:
    return _OPEN_MS if placement.to_time is None else to_ms(placement.to_time)


def _known_by(time: datetime | None) -> int:
    return _ALL_MS if time is None else to_ms(time)


# --- statements ---------------------------------------------------------------------------------------------

_SERIES: Any = (
    select(
        reading.c.time_ms,
        reading.c.temperature_c,
        reading.c.relative_humidity_pct,
        reading.c.surface_temperature_c,
        reading.c.battery_v,
        reading.c.received_ms,
    )
    .where(
        reading.c.probe == bindparam("probe"),
        reading.c.time_ms >= bindparam("since"),
        reading.c.time_ms <= bindparam("until"),
        reading.c.received_ms <= bindparam("received"),
    )
    .order_by(reading.c.time_ms)
)
