"""Ensembles of sleeves to go on from after a restart."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "sleeve_checkpoint",
        *(sa.Column(name, sa.Text, nullable=False) for name in ("job", "location")),
        sa.Column("end_ms", sa.BigInteger, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("job", "location", "end_ms", name="pk_sleeve_checkpoint"),
        sa.ForeignKeyConstraint(["job"], ["job.job"], name="fk_sleeve_checkpoint_job_job", ondelete="CASCADE"),
    )


def downgrade() -> None:
    """Remove it: nothing is lost that can't be computed again."""
    op.drop_table("sleeve_checkpoint")
