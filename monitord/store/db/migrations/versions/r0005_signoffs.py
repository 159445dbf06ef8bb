"""Sign-offs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the table; a sign-off stays on record when it is withdrawn."""
    op.create_table(
        "signoff",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("job", "element")),
        sa.Column("signed_ms", sa.BigInteger, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("document", "job_document")),
        sa.Column("withdrawn_ms", sa.BigInteger),
        *(sa.Column(name, sa.Text) for name in ("withdrawn_by", "withdrawn_reason")),
        sa.PrimaryKeyConstraint("id", name="pk_signoff"),
        sa.ForeignKeyConstraint(["job"], ["job.job"], name="fk_signoff_job_job", ondelete="CASCADE"),
    )
    op.create_index("ix_signoff_job_signed_ms", "signoff", ["job", "signed_ms"])


def downgrade() -> None:
    """Remove it."""
    op.drop_table("signoff")
