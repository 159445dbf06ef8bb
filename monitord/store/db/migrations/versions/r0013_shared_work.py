"""Leases, the processes that hold them, and who sends a message."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables, and add the columns."""
    op.create_table(
        "lease",
        *(sa.Column(name, sa.Text, nullable=False) for name in ("kind", "name", "holder")),
        *(sa.Column(name, sa.BigInteger, nullable=False) for name in ("fence", "until_ms")),
        sa.PrimaryKeyConstraint("kind", "name", name="pk_lease"),
    )
    op.create_table(
        "worker",
        *(sa.Column(name, sa.Text, nullable=False) for name in ("id", "roles")),
        sa.Column("until_ms", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_worker"),
    )
    op.add_column("outbox", sa.Column("held_by", sa.Text))
    op.add_column("outbox", sa.Column("held_until_ms", sa.BigInteger))


def downgrade() -> None:
    """Remove them."""
    for column in ("held_until_ms", "held_by"):
        op.drop_column("outbox", column)
    for table in ("worker", "lease"):
        op.drop_table(table)
