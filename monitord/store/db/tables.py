"""The tables, as SQLAlchemy Core metadata.

Times are integer milliseconds since 1970-01-01T00:00Z, in columns named `*_ms`: exact, and sorted the same by
every database. A finer stamp is cut to its millisecond. A missing value is NULL. Whatever changes here needs a
revision in `migrations/versions` (a test holds the two against each other).
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)
from sqlalchemy.sql import ColumnElement

from monitord.store.db.scaled import scaled

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

ROW_ID = BigInteger().with_variant(Integer(), "sqlite")
"""Of numbered rows: SQLite numbers rows by itself only under the name INTEGER."""

job = Table(
    "job",
    metadata,
    Column("job", Text, primary_key=True),
    Column("document", Text, nullable=False),  # the job file as canonical JSON: the truth about the job
)

job_defaults = Table(  # one row: what new jobs begin with
    "job_defaults",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("document", Text, nullable=False),
)

placement = Table(  # an index of the placements in the job documents, rewritten whenever a document changes
    "placement",
    metadata,
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),  # in the job file's list
    Column("probe", Text, nullable=False),
    Column("location", Text, nullable=False),
    Column("from_ms", BigInteger, nullable=False),
    Column("to_ms", BigInteger),  # NULL: still there
    Index(None, "probe", "from_ms"),
)

mark = Table(  # what has to be assessed; a row for each job, see marks.py
    "mark",
    metadata,
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), primary_key=True),
    Column("mark", BigInteger, nullable=False),
    Column("assessed", BigInteger, nullable=False),
)


def _names(table: str, *more: Column[int]) -> Table:
    return Table(
        table,
        metadata,
        Column("id", ROW_ID, primary_key=True),
        Column("name", Text, nullable=False, unique=True),
        *more,
    )


_RENEWALS = Column("renewals", BigInteger, nullable=False, server_default="0")  # how often hours of it were rolled up

probe_name = _names(
    "probe_name", _RENEWALS
)  # numbers in place of names where there are many rows; a number is never used again
gateway_name = _names("gateway_name")

_HUNDREDTHS = scaled(100)
_THOUSANDTHS = scaled(1000)  # the median of an even number of values may lie between two hundredths

reading = Table(
    "reading",
    metadata,
    Column("probe_id", Integer, primary_key=True, autoincrement=False),
    Column("time_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("temperature_c", _HUNDREDTHS, nullable=False),
    Column("relative_humidity_pct", _HUNDREDTHS, nullable=False),
    Column("surface_temperature_c", _HUNDREDTHS),
    Column("battery_v", _HUNDREDTHS),
    Column("battery_pct", _HUNDREDTHS),
    Column("pressure_hpa", _HUNDREDTHS),
    Column("rssi_dbm", scaled(1)),
    Column("gateway_id", Integer),
    Column("delay_ms", BigInteger, nullable=False),  # from the stamp to the arrival; negative: a clock that runs ahead
    # NULL: live when received. Else it came as a retained replay, and this is when a live copy came; NEVER_MS: none has
    Column("live_ms", BigInteger),
    sqlite_with_rowid=False,  # the rows lie in key order: a placement is one stretch of the file
)

readings_elsewhere = Table(  # no row: the readings are in `reading`, as all else is in this database
    "readings_elsewhere",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("place", Text, nullable=False),
)

arrival_ms: ColumnElement[int] = reading.c.time_ms + reading.c.delay_ms
"""When a reading arrived."""

NEVER_MS = 2**62
"""In `live_ms`: only seen as a retained replay so far. Later than any time that a datetime can hold."""

hourly = Table(  # roll-ups of all stored readings of a probe in a clock hour (UTC), by model.series.roll_up
    "hourly",
    metadata,
    Column("probe_id", Integer, primary_key=True, autoincrement=False),
    Column("hour", BigInteger, primary_key=True, autoincrement=False),  # hours since 1970-01-01T00:00Z
    Column("count", Integer, nullable=False),
    Column("temperature_c", _THOUSANDTHS, nullable=False),
    Column("relative_humidity_pct", _THOUSANDTHS, nullable=False),
    Column("surface_temperature_c", _THOUSANDTHS),
    Column("temperature_min_c", _HUNDREDTHS, nullable=False),
    Column("temperature_max_c", _HUNDREDTHS, nullable=False),
    Column("relative_humidity_min_pct", _HUNDREDTHS, nullable=False),
    Column("relative_humidity_max_pct", _HUNDREDTHS, nullable=False),
    Column("delay_ms", BigInteger, nullable=False),  # from the hour's start to the arrival of the last of them
    sqlite_with_rowid=False,
)

touched_hour = Table(  # hours that readings have landed in since their row of `hourly` was made: see rollups.py
    "touched_hour",
    metadata,
    Column("probe_id", Integer, primary_key=True, autoincrement=False),
    Column("hour", BigInteger, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
)

heard = Table(  # when each probe was last heard live; can be derived from `reading`, kept for quick answers
    "heard",
    metadata,
    Column("probe_id", Integer, primary_key=True, autoincrement=False),
    Column("heard_ms", BigInteger, nullable=False),  # stamp of the newest live reading, at most its arrival
    Column("time_ms", BigInteger, nullable=False),  # that reading's own stamp: its key in `reading`
    Column("received_ms", BigInteger, nullable=False),  # newest arrival of anything live
    sqlite_with_rowid=False,
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),  # of topic, code and payload: the same again is counted
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("code", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("last_received_ms", BigInteger, nullable=False),
    Column("times", BigInteger, nullable=False),
    Column("released_ms", BigInteger),  # NULL: held
)

assessment = Table(  # the latest of each job, kept to be shown; never truth, it can be computed again
    "assessment",
    metadata,
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), primary_key=True),
    Column("as_of_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
)

sleeve_checkpoint = Table(  # ensembles of sleeves to go on from after a restart; never truth either
    "sleeve_checkpoint",
    metadata,
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), primary_key=True),
    Column("location", Text, primary_key=True),
    Column("end_ms", BigInteger, primary_key=True, autoincrement=False),  # of the ensemble's last day
    Column("digest", Text, nullable=False),  # of what it rests on
    Column("content", LargeBinary, nullable=False),
)

forecast = Table(  # every forecast that was made: one that keeps slipping is itself a finding
    "forecast",
    metadata,
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), primary_key=True),
    Column("location", Text, primary_key=True),
    Column("made_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("document", Text, nullable=False),
)

outdoor_forecast = Table(  # the outdoor air to come as others forecast it; may come before the job is known
    "outdoor_forecast",
    metadata,
    Column("job", Text, primary_key=True),
    Column("issued_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
)
