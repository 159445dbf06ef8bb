"""People, sessions, tokens, client links, and the record of changes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _time(name: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=nullable)


def upgrade() -> None:
    """Create the tables, and the triggers that keep the record of changes as it was written."""
    _people()
    _links()
    op.create_table(
        "sign_in_failure",
        sa.Column("id", _ID, nullable=False),
        *_text("person", "address"),
        _time("at_ms"),
        sa.PrimaryKeyConstraint("id", name="pk_sign_in_failure"),
    )
    op.create_index("ix_sign_in_failure_at_ms", "sign_in_failure", ["at_ms"])
    op.create_table(
        "audit",
        sa.Column("id", _ID, nullable=False),
        _time("at_ms"),
        *_text("who", "what"),
        sa.Column("job", sa.Text),
        *_text("detail", "address"),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_index("ix_audit_job_id", "audit", ["job", "id"])
    _append_only()


def _people() -> None:
    op.create_table(
        "person",
        *_text("person", "name", "role"),
        sa.Column("jobs", sa.Text),
        sa.Column("password", sa.Text),
        _time("made_ms"),
        _time("ended_ms", nullable=True),
        sa.PrimaryKeyConstraint("person", name="pk_person"),
    )
    op.create_table(
        "session",
        *_text("digest", "person"),
        _time("made_ms"),
        _time("seen_ms"),
        _time("expires_ms"),
        _time("ended_ms", nullable=True),
        *_text("address", "device"),
        sa.PrimaryKeyConstraint("digest", name="pk_session"),
        sa.ForeignKeyConstraint(["person"], ["person.person"], name="fk_session_person_person", ondelete="CASCADE"),
    )
    op.create_index("ix_session_person", "session", ["person"])


def _links() -> None:
    op.create_table(
        "one_time_link",
        *_text("digest", "purpose"),
        sa.Column("person", sa.Text),
        _time("made_ms"),
        _time("expires_ms"),
        _time("used_ms", nullable=True),
        sa.PrimaryKeyConstraint("digest", name="pk_one_time_link"),
        sa.ForeignKeyConstraint(
            ["person"], ["person.person"], name="fk_one_time_link_person_person", ondelete="CASCADE"
        ),
    )
    op.create_table(
        "api_token",
        sa.Column("id", _ID, nullable=False),
        *_text("digest", "name", "scope", "made_by"),
        _time("made_ms"),
        _time("used_ms", nullable=True),
        _time("ended_ms", nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_api_token"),
        sa.UniqueConstraint("digest", name="uq_api_token_digest"),
    )
    op.create_table(
        "client_link",
        *_text("id", "job", "given_to", "made_by"),
        _time("made_ms"),
        _time("expires_ms"),
        _time("ended_ms", nullable=True),
        sa.Column("opened", sa.Integer, nullable=False),
        _time("opened_ms", nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_client_link"),
        sa.ForeignKeyConstraint(["job"], ["job.job"], name="fk_client_link_job_job", ondelete="CASCADE"),
    )
    op.create_index("ix_client_link_job", "client_link", ["job"])


def _append_only() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for change in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_no_{change.lower()} BEFORE {change} ON audit "
                "BEGIN SELECT RAISE(ABORT, 'the record of changes is append-only'); END"
            )
    elif op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION audit_is_append_only() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the record of changes is append-only'; END $$"
        )
        op.execute(
            "CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE ON audit "
            "FOR EACH ROW EXECUTE FUNCTION audit_is_append_only()"
        )


def downgrade() -> None:
    """Remove them."""
    for table in ("audit", "sign_in_failure", "client_link", "api_token", "one_time_link", "session", "person"):
        op.drop_table(table)
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION audit_is_append_only()")
