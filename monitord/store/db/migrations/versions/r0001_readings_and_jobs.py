"""Readings, roll-ups, jobs, marks, quarantine, assessments and forecasts."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the first tables."""
    _create_jobs()
    _create_readings()
    _create_results()
    op.create_table(
        "quarantine",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.Column("code", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("received_ms", sa.BigInteger, nullable=False),
        sa.Column("last_received_ms", sa.BigInteger, nullable=False),
        sa.Column("times", sa.BigInteger, nullable=False),
        sa.Column("released_ms", sa.BigInteger),
        sa.PrimaryKeyConstraint("id", name="pk_quarantine"),
        sa.UniqueConstraint("digest", name="uq_quarantine_digest"),
    )


def downgrade() -> None:
    """Remove them again, the dependent ones first."""
    for table in ("quarantine", "forecast", "assessment", "heard", "hourly", "reading", "mark", "placement", "job"):
        op.drop_table(table)


def _belongs_to_job(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["job"], ["job.job"], name=f"fk_{table}_job_job", ondelete="CASCADE")


def _create_jobs() -> None:
    op.create_table(
        "job",
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_job"),
    )
    op.create_table(
        "placement",
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("position", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("location", sa.Text, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("to_ms", sa.BigInteger),
        sa.PrimaryKeyConstraint("job", "position", name="pk_placement"),
        _belongs_to_job("placement"),
    )
    op.create_index("ix_placement_probe_from_ms", "placement", ["probe", "from_ms"])
    op.create_table(
        "mark",
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("mark", sa.BigInteger, nullable=False),
        sa.Column("assessed", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_mark"),
        _belongs_to_job("mark"),
    )


def _create_readings() -> None:
    op.create_table(
        "reading",
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("time_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("temperature_c", sa.Double, nullable=False),
        sa.Column("relative_humidity_pct", sa.Double, nullable=False),
        sa.Column("surface_temperature_c", sa.Double),
        sa.Column("battery_v", sa.Double),
        sa.Column("pressure_hpa", sa.Double),
        sa.Column("rssi_dbm", sa.Double),
        sa.Column("gateway", sa.Text),
        sa.Column("received_ms", sa.BigInteger, nullable=False),
        sa.Column("live_ms", sa.BigInteger),
        sa.PrimaryKeyConstraint("probe", "time_ms", name="pk_reading"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "hourly",
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("hour_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("temperature_c", sa.Double, nullable=False),
        sa.Column("relative_humidity_pct", sa.Double, nullable=False),
        sa.Column("surface_temperature_c", sa.Double),
        sa.Column("temperature_min_c", sa.Double, nullable=False),
        sa.Column("temperature_max_c", sa.Double, nullable=False),
        sa.Column("relative_humidity_min_pct", sa.Double, nullable=False),
        sa.Column("relative_humidity_max_pct", sa.Double, nullable=False),
        sa.Column("received_ms", sa.BigInteger, nullable=False),
        sa.Column("stored", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("probe", "hour_ms", name="pk_hourly"),
        sqlite_with_rowid=False,
    )
    lagging = sa.text("stored > count")
    op.create_index("ix_hourly_lagging", "hourly", ["probe"], sqlite_where=lagging, postgresql_where=lagging)
    op.create_table(
        "heard",
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("heard_ms", sa.BigInteger, nullable=False),
        sa.Column("time_ms", sa.BigInteger, nullable=False),
        sa.Column("received_ms", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("probe", name="pk_heard"),
        sqlite_with_rowid=False,
    )


def _create_results() -> None:
    op.create_table(
        "assessment",
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("as_of_ms", sa.BigInteger, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_assessment"),
        _belongs_to_job("assessment"),
    )
    op.create_table(
        "forecast",
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("location", sa.Text, nullable=False),
        sa.Column("made_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job", "location", "made_ms", name="pk_forecast"),
        _belongs_to_job("forecast"),
    )
