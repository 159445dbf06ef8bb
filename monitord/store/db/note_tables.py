"""Tables of notes and their photos; the conventions are those of `tables.py`."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, LargeBinary, Table, Text

from monitord.store.db.tables import ROW_ID, metadata

note = Table(
    "note",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), nullable=False),
    Column("location", Text),  # NULL: of the whole job
    Column("at_ms", BigInteger, nullable=False),
    Column("by", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index(None, "job", "at_ms"),
)

photo = Table(  # of its own, so that listing notes reads no pictures
    "photo",
    metadata,
    Column("note", ROW_ID, ForeignKey("note.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("digest", Text, nullable=False),  # SHA-256 of the picture
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    Column("jpeg", LargeBinary, nullable=False),
    Column("small", LargeBinary, nullable=False),
    Index(None, "digest"),
)
