"""Where the raw readings are, if not in the table `reading`."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; empty, for so far they are there."""
    op.create_table(
        "readings_elsewhere",
        sa.Column("id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("place", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_readings_elsewhere"),
    )


def downgrade() -> None:
    """Remove it."""
    op.drop_table("readings_elsewhere")
