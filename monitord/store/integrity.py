"""Whether the database is sound: asked by the doctor, never on the way of a reading."""

from __future__ import annotations

from sqlalchemy import Connection, text


def complaints(conn: Connection) -> list[str]:
    """What the database itself finds damaged; empty if nothing, or if it offers no such check."""
    if conn.dialect.name != "sqlite":
        return []
    return [line for line in conn.execute(_QUICK_CHECK).scalars() if line != "ok"]


# --- statements ---------------------------------------------------------------------------------------------

_QUICK_CHECK = text("PRAGMA quick_check(10)")
