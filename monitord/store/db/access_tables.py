"""Tables of people, sessions, tokens, client links and the record of changes, joining the metadata of `tables.py`.

Of a session, a token and a one-time link only the SHA-256 digest is kept: who reads the database can't use them.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, Table, Text

from monitord.store.db.tables import ROW_ID, metadata

person = Table(
    "person",
    metadata,
    Column("person", Text, primary_key=True),  # what they sign in with
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("jobs", Text),  # JSON list; NULL: all
    Column("password", Text),  # its hash; NULL: none set yet
    Column("made_ms", BigInteger, nullable=False),
    Column("ended_ms", BigInteger),
)

session = Table(
    "session",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("person", Text, ForeignKey("person.person", ondelete="CASCADE"), nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("seen_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Column("ended_ms", BigInteger),
    Column("address", Text, nullable=False),
    Column("device", Text, nullable=False),
    Index(None, "person"),
)

one_time_link = Table(
    "one_time_link",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("purpose", Text, nullable=False),
    Column("person", Text, ForeignKey("person.person", ondelete="CASCADE")),  # NULL: makes a new owner
    Column("made_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Column("used_ms", BigInteger),
)

api_token = Table(
    "api_token",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("scope", Text, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("used_ms", BigInteger),
    Column("ended_ms", BigInteger),
)

client_link = Table(
    "client_link",
    metadata,
    Column("id", Text, primary_key=True),
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), nullable=False),
    Column("given_to", Text, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("made_ms", BigInteger, nullable=False),
    Column("expires_ms", BigInteger, nullable=False),
    Column("ended_ms", BigInteger),
    Column("opened", Integer, nullable=False),
    Column("opened_ms", BigInteger),
    Index(None, "job"),
)

sign_in_failure = Table(  # tries that did not succeed; old ones are forgotten
    "sign_in_failure",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("person", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("at_ms", BigInteger, nullable=False),
    Index(None, "at_ms"),
)

audit = Table(  # append-only: triggers refuse a change of what stands there
    "audit",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("at_ms", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("job", Text),
    Column("detail", Text, nullable=False),
    Column("address", Text, nullable=False),
    Index(None, "job", "id"),
)
