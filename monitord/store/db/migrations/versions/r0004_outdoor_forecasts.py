"""Forecasts of the outdoor air."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "outdoor_forecast",
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("issued_ms", sa.BigInteger, nullable=False, autoincrement=False),
        sa.Column("received_ms", sa.BigInteger, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job", "issued_ms", name="pk_outdoor_forecast"),
    )


def downgrade() -> None:
    """Remove it."""
    op.drop_table("outdoor_forecast")
