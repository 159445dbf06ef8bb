"""Where the raw readings of a closed job lie."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "archived_readings",
        sa.Column("job", sa.Text, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("file", "sha256")),
        sa.Column("readings", sa.Integer, nullable=False),
        *(sa.Column(name, sa.BigInteger, nullable=False) for name in ("as_of_ms", "archived_ms")),
        sa.Column("removed_ms", sa.BigInteger),
        sa.PrimaryKeyConstraint("job", name="pk_archived_readings"),
        sa.ForeignKeyConstraint(["job"], ["job.job"], name="fk_archived_readings_job_job", ondelete="CASCADE"),
    )


def downgrade() -> None:
    """Remove it; put the readings back before, since nothing says then where they lie."""
    op.drop_table("archived_readings")
