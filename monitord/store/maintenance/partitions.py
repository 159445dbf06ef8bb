"""Readings on PostgreSQL lie in partitions of a calendar month (UTC) each, and one for the rest.

So what is asked of a few days looks at one or two of them, each with an index of its own. A month's partition is made
before the month begins. What comes of a month that has none (a backlog of long ago) lands in the rest, and gets its
partition once there is enough of it; a stamp of a clock that is years off stays there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import NamedTuple

from sqlalchemy import Connection, text

from monitord.store.db.database import Database
from monitord.store.db.times import from_ms, to_ms

_SCHEMA = "monitord_readings"
"""Of the database, for the partitions: so they are not among its tables."""
_ENOUGH = 1000
"""Readings of a month in the rest for which it gets a partition. Our choice."""
_EARLIEST = 2000
_LATEST = 2100
"""What is stamped before the one year or from the other on is a clock's error."""


class _Month(NamedTuple):
    year: int
    month: int

    @property
    def next(self) -> _Month:
        return _Month(self.year + self.month // 12, self.month % 12 + 1)

    @property
    def table(self) -> str:
        return f"{_SCHEMA}.m{self.year:04}_{self.month:02}"

    @property
    def start_ms(self) -> int:
        return to_ms(datetime(self.year, self.month, 1, tzinfo=UTC))


def _month_of(time: datetime) -> _Month:
    utc = time.astimezone(UTC)
    return _Month(utc.year, utc.month)


def keep_partitions(db: Database, now: datetime, moved: Callable[[], object] = lambda: None) -> list[str]:
    """Make the partitions of this month and the next, and of months of which the rest holds much; returns new names.

    Each is made in a transaction of its own, after which `moved` is called.
    """
    with db.read() as conn:
        there = _there(conn)
        this = _month_of(now)
        wanted = {this, this.next, *(month for month in _much(conn) if _believable(month) and month <= this.next)}
    made = []
    for month in sorted(wanted):
        if month.table not in there:
            with db.write() as conn:
                _make(conn, month)
            made.append(month.table)
            moved()
    return made


def make_months(conn: Connection, times_ms: Iterable[int]) -> None:
    """Make the partitions that readings of some times will want; on SQLite there are none to make. [ms]"""
    if conn.dialect.name == "postgresql":
        there = _there(conn)
        for month in sorted({_month_of(from_ms(ms)) for ms in times_ms}):
            if month.table not in there and _believable(month):
                _make(conn, month)


def _there(conn: Connection) -> set[str]:
    return set(conn.execute(_THERE).scalars())


def _believable(month: _Month) -> bool:
    return _EARLIEST <= month.year < _LATEST


def _much(conn: Connection) -> list[_Month]:
    found = conn.execute(_IN_THE_REST, {"enough": _ENOUGH}).scalars()
    return [_month_of(from_ms(ms)) for ms in found]


def _make(conn: Connection, month: _Month) -> None:
    """Make a partition, with what the rest holds of its month."""
    bounds = {"begin": month.start_ms, "end": month.next.start_ms}
    conn.execute(text(f"CREATE TABLE {month.table} (LIKE reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS)"))
    conn.execute(
        text(
            f"WITH gone AS (DELETE FROM {_SCHEMA}.rest WHERE time_ms >= :begin AND time_ms < :end RETURNING *) "
            f"INSERT INTO {month.table} SELECT * FROM gone ORDER BY probe_id, time_ms"
        ),
        bounds,
    )
    attach = f"ALTER TABLE reading ATTACH PARTITION {month.table} FOR VALUES FROM ({{begin}}) TO ({{end}})"
    conn.exec_driver_sql(attach.format(**bounds))


# --- statements ---------------------------------------------------------------------------------------------

_THERE = text(
    "SELECT i.inhrelid::regclass::text FROM pg_inherits i WHERE i.inhparent = 'reading'::regclass"  # schema.table
)

_IN_THE_REST = text(
    f"SELECT min(time_ms) FROM {_SCHEMA}.rest "
    "GROUP BY date_trunc('month', to_timestamp(time_ms / 1000.0) AT TIME ZONE 'UTC') HAVING count(*) >= :enough"
)
