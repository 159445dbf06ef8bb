"""Tables of alerts, messages and mutes, joining the metadata of `tables.py`.

An alert's document is the truth; the columns beside it are what queries look at. Alerts about the program itself
have no job, so `job` refers to nothing.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, Table, Text

from monitord.store.db.tables import ROW_ID, metadata

alert = Table(  # a row for each episode
    "alert",
    metadata,
    Column("fingerprint", Text, primary_key=True),
    Column("episode", Integer, primary_key=True, autoincrement=False),
    Column("job", Text, nullable=False),
    Column("status", Text, nullable=False),
    Column("opened_ms", BigInteger),
    Column("closed_ms", BigInteger),
    Column("latest", Integer, nullable=False),  # 1: the alert's newest episode
    Column("settled", Integer, nullable=False),  # 1: closed, and nobody is owed a word about it
    Column("document", Text, nullable=False),
    Index(None, "job", "latest"),
    Index(None, "settled"),
    Index(None, "closed_ms"),
)

alert_event = Table(  # append-only
    "alert_event",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("fingerprint", Text, nullable=False),
    Column("episode", Integer, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("event", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Index(None, "fingerprint", "episode"),
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Text, primary_key=True),
    Column("person", Text, nullable=False),
    Column("channel", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("group_key", Text, nullable=False),
    Column("severity", Text, nullable=False),
    Column("created_ms", BigInteger, nullable=False),
    Column("deadline_ms", BigInteger, nullable=False),
    Column("state", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_try_ms", BigInteger, nullable=False),
    Column("last_error", Text),
    Column("finished_ms", BigInteger),
    Column("title", Text, nullable=False),
    Column("short", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("html", Text, nullable=False),
    Column("held_by", Text),  # which process sends it at present, where several do; NULL: none, or there is but one
    Column("held_until_ms", BigInteger),  # by the database's clock
    Index(None, "state", "next_try_ms"),
    Index(None, "created_ms"),
)

outbox_item = Table(  # what each message tells; the answer to "has this person been told?"
    "outbox_item",
    metadata,
    Column("message", Text, ForeignKey("outbox.id", ondelete="CASCADE"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("subject", Text, nullable=False),
    Column("episode", Integer, nullable=False),
    Column("news", Text, nullable=False),
    Column("job", Text, nullable=False),
    Column("severity", Text, nullable=False),
    Column("ordinal", Integer, nullable=False),
    Index(None, "subject", "episode"),
)

notification_log = Table(  # what was sent, and what failed; append-only
    "notification_log",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("message", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("person", Text, nullable=False),
    Column("channel", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Index(None, "at_ms"),
)

mute = Table(
    "mute",
    metadata,
    Column("id", Text, primary_key=True),
    Column("end_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),
    Index(None, "end_ms"),
)

alert_secret = Table(  # made by the program itself at first use: the key that signs links
    "alert_secret",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
)

job_pause = Table(  # spans in which a job raises nothing; kept after their end
    "job_pause",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), nullable=False),
    Column("from_ms", BigInteger, nullable=False),
    Column("to_ms", BigInteger),  # NULL: until someone resumes it
    Column("author", Text, nullable=False),
    Column("comment", Text, nullable=False),
    Column("ended_by", Text),  # who resumed it before its time
    Index(None, "job", "from_ms"),
)
