"""How often hours of a probe were rolled up, so that hours kept in memory are known to hold still."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the number; it counts from here on."""
    op.add_column("probe_name", sa.Column("renewals", sa.BigInteger, nullable=False, server_default="0"))


def downgrade() -> None:
    """Remove it."""
    op.drop_column("probe_name", "renewals")
