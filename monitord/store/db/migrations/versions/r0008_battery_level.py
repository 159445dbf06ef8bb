"""The level of a probe's battery in %, for senders that report no voltage."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; what was stored before has none."""
    op.add_column("reading", sa.Column("battery_pct", sa.Double))


def downgrade() -> None:
    """Remove it."""
    op.drop_column("reading", "battery_pct")
