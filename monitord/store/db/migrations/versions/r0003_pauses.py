"""Pauses of jobs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; a pause stays on record after its end."""
    op.create_table(
        "job_pause",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("to_ms", sa.BigInteger),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("author", "comment")),
        sa.Column("ended_by", sa.Text),
        sa.PrimaryKeyConstraint("id", name="pk_job_pause"),
        sa.ForeignKeyConstraint(["job"], ["job.job"], name="fk_job_pause_job_job", ondelete="CASCADE"),
    )
    op.create_index("ix_job_pause_job_from_ms", "job_pause", ["job", "from_ms"])


def downgrade() -> None:
    """Remove it."""
    op.drop_table("job_pause")
