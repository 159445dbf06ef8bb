"""Alerts, their history, the outbox, the log of messages, mutes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_TABLES = ("alert_secret", "mute", "notification_log", "outbox_item", "outbox", "alert_event", "alert")
_APPEND_ONLY = ("alert_event", "notification_log")


def upgrade() -> None:
    """Create the tables of alerts; SQLite itself refuses to change the two histories."""
    _create_alerts()
    _create_outbox()
    op.create_table(
        "mute",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("end_ms", sa.BigInteger, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_mute"),
    )
    op.create_index("ix_mute_end_ms", "mute", ["end_ms"])
    op.create_table(
        "alert_secret",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("value", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_alert_secret"),
    )
    if op.get_bind().dialect.name == "sqlite":
        for table in _APPEND_ONLY:
            op.execute(
                f"CREATE TRIGGER {table}_append_only BEFORE UPDATE ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )


def downgrade() -> None:
    """Remove them again, the dependent ones first; a table takes its triggers along."""
    for table in _TABLES:
        op.drop_table(table)


def _row_id() -> sa.Column[int]:
    return sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False)


def _create_alerts() -> None:
    op.create_table(
        "alert",
        sa.Column("fingerprint", sa.Text, nullable=False),
        sa.Column("episode", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("status", sa.Text, nullable=False),
        sa.Column("opened_ms", sa.BigInteger),
        sa.Column("closed_ms", sa.BigInteger),
        sa.Column("latest", sa.Integer, nullable=False),
        sa.Column("settled", sa.Integer, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("fingerprint", "episode", name="pk_alert"),
    )
    op.create_index("ix_alert_job_latest", "alert", ["job", "latest"])
    op.create_index("ix_alert_settled", "alert", ["settled"])
    op.create_index("ix_alert_closed_ms", "alert", ["closed_ms"])
    op.create_table(
        "alert_event",
        _row_id(),
        sa.Column("fingerprint", sa.Text, nullable=False),
        sa.Column("episode", sa.Integer, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("event", sa.Text, nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_alert_event"),
    )
    op.create_index("ix_alert_event_fingerprint_episode", "alert_event", ["fingerprint", "episode"])


def _create_outbox() -> None:
    texts = ("person", "channel", "address", "group_key", "severity")
    op.create_table(
        "outbox",
        sa.Column("id", sa.Text, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in texts),
        sa.Column("created_ms", sa.BigInteger, nullable=False),
        sa.Column("deadline_ms", sa.BigInteger, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("next_try_ms", sa.BigInteger, nullable=False),
        sa.Column("last_error", sa.Text),
        sa.Column("finished_ms", sa.BigInteger),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("title", "short", "text", "html")),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
    )
    op.create_index("ix_outbox_state_next_try_ms", "outbox", ["state", "next_try_ms"])
    op.create_index("ix_outbox_created_ms", "outbox", ["created_ms"])
    op.create_table(
        "outbox_item",
        sa.Column("message", sa.Text, nullable=False),
        sa.Column("position", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("episode", sa.Integer, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("news", "job", "severity")),
        sa.Column("ordinal", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("message", "position", name="pk_outbox_item"),
        sa.ForeignKeyConstraint(["message"], ["outbox.id"], name="fk_outbox_item_message_outbox", ondelete="CASCADE"),
    )
    op.create_index("ix_outbox_item_subject_episode", "outbox_item", ["subject", "episode"])
    op.create_table(
        "notification_log",
        _row_id(),
        sa.Column("message", sa.Text, nullable=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("person", "channel", "title", "outcome", "detail")),
        sa.PrimaryKeyConstraint("id", name="pk_notification_log"),
    )
    op.create_index("ix_notification_log_at_ms", "notification_log", ["at_ms"])
