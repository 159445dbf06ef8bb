"""What a mirror of the readings has still to be told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def _times(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.BigInteger, nullable=False) for name in names]


def upgrade() -> None:
    """Create the tables; empty, for a mirror that is switched on begins with the first reading."""
    op.create_table(
        "mirror_state",
        sa.Column("id", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("target", sa.Text, nullable=False),
        sa.Column("accepted_ms", sa.BigInteger),
        sa.Column("failing_ms", sa.BigInteger),
        sa.Column("refused", sa.Integer, nullable=False),
        sa.Column("problem", sa.Text),
        sa.PrimaryKeyConstraint("id", name="pk_mirror_state"),
    )
    op.create_table(
        "mirror_hour",
        sa.Column("probe", sa.Text, nullable=False),
        *_times("hour_ms", "from_ms"),
        sa.Column("changes", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("probe", "hour_ms", name="pk_mirror_hour"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "mirror_assessment",
        sa.Column("job", sa.Text, nullable=False),
        *_times("slot_ms", "as_of_ms"),
        sa.Column("lines", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job", "slot_ms", name="pk_mirror_assessment"),
    )
    op.create_table(
        "mirror_parked",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        *_times("parked_ms"),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("line", "reason")),
        sa.PrimaryKeyConstraint("id", name="pk_mirror_parked"),
        sa.UniqueConstraint("digest", name="uq_mirror_parked_digest"),
    )


def downgrade() -> None:
    """Remove them."""
    for table in ("mirror_parked", "mirror_assessment", "mirror_hour", "mirror_state"):
        op.drop_table(table)
