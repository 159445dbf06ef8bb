"""Tables of the mirror: what another database has still to be told, joining the metadata of `tables.py`."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Integer, Table, Text

from monitord.store.db.tables import ROW_ID, metadata

mirror_state = Table(  # one row while there is a mirror; none: it is off, and nothing is noted for it
    "mirror_state",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("target", Text, nullable=False),  # where it writes; another one starts from the first reading
    Column("accepted_ms", BigInteger),  # when the server last took something
    Column("failing_ms", BigInteger),  # since when it takes nothing; NULL: all is well
    Column("refused", Integer, nullable=False),  # 1: it said that it never will, as things stand
    Column("problem", Text),
)

mirror_hour = Table(  # the cursor: hours with readings that the server has not answered for
    "mirror_hour",
    metadata,
    Column("probe", Text, primary_key=True),
    Column("hour_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("from_ms", BigInteger, nullable=False),  # stamp of the first of them
    Column("changes", Integer, nullable=False),  # goes up with each note, so that none is lost between look and answer
    sqlite_with_rowid=False,
)

mirror_assessment = Table(  # lines of an assessment that the server has not answered for
    "mirror_assessment",
    metadata,
    Column("job", Text, primary_key=True),
    Column("slot_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("as_of_ms", BigInteger, nullable=False),
    Column("lines", Text, nullable=False),
)

mirror_parked = Table(  # lines that the server refuses for what they say
    "mirror_parked",
    metadata,
    Column("id", ROW_ID, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("parked_ms", BigInteger, nullable=False),
    Column("line", Text, nullable=False),
    Column("reason", Text, nullable=False),
)
