"""Notes and photos."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create the tables."""
    op.create_table(
        "note",
        sa.Column("id", _ID, nullable=False),
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("location", sa.Text),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("by", "text")),
        sa.PrimaryKeyConstraint("id", name="pk_note"),
        sa.ForeignKeyConstraint(["job"], ["job.job"], name="fk_note_job_job", ondelete="CASCADE"),
    )
    op.create_index("ix_note_job_at_ms", "note", ["job", "at_ms"])
    op.create_table(
        "photo",
        sa.Column("note", _ID, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        *(sa.Column(name, sa.Integer, nullable=False) for name in ("width", "height")),
        *(sa.Column(name, sa.LargeBinary, nullable=False) for name in ("jpeg", "small")),
        sa.PrimaryKeyConstraint("note", "position", name="pk_photo"),
        sa.ForeignKeyConstraint(["note"], ["note.id"], name="fk_photo_note_note", ondelete="CASCADE"),
    )
    op.create_index("ix_photo_digest", "photo", ["digest"])


def downgrade() -> None:
    """Remove them."""
    op.drop_table("photo")
    op.drop_table("note")
