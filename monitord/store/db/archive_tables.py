"""The table of archived readings; the conventions are those of `tables.py`."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, Table, Text

from monitord.store.db.tables import metadata

archived_readings = Table(  # where the raw readings of a closed job lie; no row: in `reading`
    "archived_readings",
    metadata,
    Column("job", Text, ForeignKey("job.job", ondelete="CASCADE"), primary_key=True),
    Column("file", Text, nullable=False),  # name of the evidence pack, without its folder
    Column("sha256", Text, nullable=False),  # of that file: only this very one is put back
    Column("readings", Integer, nullable=False),
    Column("as_of_ms", BigInteger, nullable=False),  # readings that arrived by then are in it
    Column("archived_ms", BigInteger, nullable=False),
    Column("removed_ms", BigInteger),  # NULL: some may still be in `reading`
)
