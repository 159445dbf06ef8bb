"""The table of sign-offs; the conventions are those of `tables.py`."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Table, Text

from monitord.store.db.tables import ROW_ID, metadata

signoff = Table(  # written once; only a withdrawal is added later
    "signoff",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), nullable=False),
    Column("element", Text, nullable=False),
    Column("signed_ms", BigInteger, nullable=False),
    Column("document", Text, nullable=False),  # the sign-off as JSON
    Column("job_document", Text, nullable=False),  # the job as it was known, as canonical JSON
    Column("withdrawn_ms", BigInteger),  # NULL: it stands
    Column("withdrawn_by", Text),
    Column("withdrawn_reason", Text),
    Index(None, "job", "signed_ms"),
)
