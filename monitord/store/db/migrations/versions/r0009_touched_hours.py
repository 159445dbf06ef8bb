"""Hours that readings have landed in since they were rolled up, in a table of their own.

Rows of `hourly` lag no more: an hour whose row lagged is noted as touched. The way back makes a row for each touched
hour that lags behind its readings, which the older program rolls up as it reads.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_LAGGING = sa.text("stored > count")
_HOUR_MS = 3_600_000


def upgrade() -> None:
    """Note the hours whose rows lag, and drop the count that said so."""
    op.create_table(
        "touched_hour",
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("hour_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.PrimaryKeyConstraint("probe", "hour_ms", name="pk_touched_hour"),
        sqlite_with_rowid=False,
    )
    op.execute("INSERT INTO touched_hour SELECT probe, hour_ms FROM hourly WHERE stored > count")
    op.drop_index("ix_hourly_lagging", "hourly")
    op.drop_column("hourly", "stored")


def downgrade() -> None:
    """Count the readings of the touched hours; their rows are made, or lag."""
    op.add_column("hourly", sa.Column("stored", sa.Integer, nullable=False, server_default="0"))
    op.execute("UPDATE hourly SET stored = count")
    op.execute(
        "INSERT INTO hourly (probe, hour_ms, count, temperature_c, relative_humidity_pct, temperature_min_c, "
        "temperature_max_c, relative_humidity_min_pct, relative_humidity_max_pct, received_ms, stored) "
        "SELECT t.probe, t.hour_ms, 0, 0, 0, 0, 0, 0, 0, max(r.received_ms), count(*) "
        "FROM touched_hour t JOIN reading r "
        f"ON r.probe = t.probe AND r.time_ms >= t.hour_ms AND r.time_ms < t.hour_ms + {_HOUR_MS} "
        "GROUP BY t.probe, t.hour_ms "
        "ON CONFLICT (probe, hour_ms) DO UPDATE SET count = 0, received_ms = excluded.received_ms, "
        "stored = excluded.stored"
    )
    op.create_index("ix_hourly_lagging", "hourly", ["probe"], sqlite_where=_LAGGING, postgresql_where=_LAGGING)
    op.drop_table("touched_hour")
