"""Where the database is, and whether it is sound: asked beside the way of a reading, never on it."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, make_url, text


def file_of(url: str) -> Path | None:
    """The file that holds the database; None where it is a server's, or in memory."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or parsed.database in (None, "", ":memory:"):
        return None
    return Path(str(parsed.database)).absolute()


def health_problems(conn: Connection) -> list[str]:
    """What the database itself finds damaged; empty if nothing, or if it offers no such check."""
    if conn.dialect.name != "sqlite":
        return []
    return [line for line in conn.execute(_QUICK_CHECK).scalars() if line != "ok"]


# --- statements ---------------------------------------------------------------------------------------------

_QUICK_CHECK = text("PRAGMA quick_check(10)")
