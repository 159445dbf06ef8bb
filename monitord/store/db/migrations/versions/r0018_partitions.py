"""On PostgreSQL readings lie in partitions of a month each, in a schema of their own; elsewhere nothing changes.

Here every month of which there are readings gets its partition, and what comes from other months goes into the one for
the rest; the daemon makes those of the months to come (`store/maintenance/partitions.py`).
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

_SCHEMA = "monitord_readings"
_OPTIONAL = ("surface_temperature_c", "battery_v", "battery_pct", "pressure_hpa", "rssi_dbm")
_NAMES = (
    "probe_id, time_ms, temperature_c, relative_humidity_pct, surface_temperature_c, battery_v, battery_pct, "
    "pressure_hpa, rssi_dbm, gateway_id, delay_ms, live_ms"
)
_MONTHS = """
SELECT DISTINCT to_char(to_timestamp(time_ms / 1000.0) AT TIME ZONE 'UTC', 'YYYY_MM') FROM old_reading
WHERE time_ms BETWEEN 946684800000 AND 4102444799999 ORDER BY 1
"""
"""Of this century: a stamp from elsewhere is a clock's error."""


def upgrade() -> None:
    """Create the partitioned table, and copy."""
    if op.get_bind().dialect.name != "postgresql":
        return
    _put_aside()
    _create(postgresql_partition_by="RANGE (time_ms)")
    op.execute(f"CREATE SCHEMA {_SCHEMA}")
    op.execute(f"CREATE TABLE {_SCHEMA}.rest PARTITION OF reading DEFAULT")
    for month in op.get_bind().execute(sa.text(_MONTHS)).scalars().all():
        first = f"make_date({int(month[:4])}, {int(month[5:])}, 1)"
        begin, end = (
            op.get_bind().execute(sa.text(f"SELECT (extract(epoch FROM {day}) * 1000)::bigint")).scalar_one()
            for day in (first, f"({first} + interval '1 month')")
        )
        op.execute(f"CREATE TABLE {_SCHEMA}.m{month} PARTITION OF reading FOR VALUES FROM ({begin}) TO ({end})")
    op.execute(f"INSERT INTO reading ({_NAMES}) SELECT {_NAMES} FROM old_reading ORDER BY probe_id, time_ms")
    op.drop_table("old_reading")


def downgrade() -> None:
    """One table again."""
    if op.get_bind().dialect.name != "postgresql":
        return
    _put_aside()
    _create()
    op.execute(f"INSERT INTO reading ({_NAMES}) SELECT {_NAMES} FROM old_reading ORDER BY probe_id, time_ms")
    op.drop_table("old_reading")
    op.execute(f"DROP SCHEMA {_SCHEMA}")


def _put_aside() -> None:
    op.rename_table("reading", "old_reading")
    op.execute("ALTER INDEX pk_reading RENAME TO pk_old_reading")


def _create(**how: Any) -> None:
    op.create_table(
        "reading",
        sa.Column("probe_id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("time_ms", sa.BigInteger, nullable=False, autoincrement=False),
        *(sa.Column(name, sa.Double(), nullable=False) for name in ("temperature_c", "relative_humidity_pct")),
        *(sa.Column(name, sa.Double()) for name in _OPTIONAL),
        sa.Column("gateway_id", sa.Integer),
        sa.Column("delay_ms", sa.BigInteger, nullable=False),
        sa.Column("live_ms", sa.BigInteger),
        sa.PrimaryKeyConstraint("probe_id", "time_ms", name="pk_reading"),
        **how,
    )
