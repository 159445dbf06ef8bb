"""What new jobs, locations and slabs begin with."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table."""
    op.create_table(
        "job_defaults",
        sa.Column("id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_job_defaults"),
    )


def downgrade() -> None:
    """Remove it; forms are filled in with the program's own defaults again."""
    op.drop_table("job_defaults")
