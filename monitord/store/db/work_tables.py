"""Tables of the work that several processes share, joining the metadata of `tables.py`."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Table, Text

from monitord.store.db.tables import metadata

lease = Table(  # who works on what until when; a row stays for ever, so that its fence never begins anew
    "lease",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("holder", Text, nullable=False),
    Column("fence", BigInteger, nullable=False),  # goes up with each claim: tells the holder of now from an earlier one
    Column("until_ms", BigInteger, nullable=False),  # by the database's clock
)

worker = Table(  # processes that share the work, and until when their last sign of life counts
    "worker",
    metadata,
    Column("id", Text, primary_key=True),
    Column("roles", Text, nullable=False),  # their names with a space before and after each
    Column("until_ms", BigInteger, nullable=False),
)
