"""Where the database is, and whether it is sound: asked beside the way of a reading, never on it."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, make_url, text

from monitord.errors import ConfigurationError, StoreError

_DAMAGE = ("malformed", "not a database")
"""By a phrase of SQLite's own message."""


def file_of(url: str) -> Path | None:
    """The file that holds the database; None where it is a server's, or in memory."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite" or parsed.database in (None, "", ":memory:"):
        return None
    return Path(str(parsed.database)).absolute()


def need_file_of(url: str, what: str) -> Path:
    """The file that holds the database, for what works on files only.

    Raises
    ------
    ConfigurationError : it is a server's, or in memory.
    """
    found = file_of(url)
    if found is None:
        raise ConfigurationError(
            f"{what} is for a database in a file",
            where="database.url",
            remedy="A server has its own tools for that: pg_dump and pg_restore for PostgreSQL",
        )
    return found


def means_damage(error: StoreError) -> bool:
    """Whether the database refused because its file is damaged."""
    return any(phrase in (error.why or "") for phrase in _DAMAGE)


def health_problems(conn: Connection) -> list[str]:
    """What the database itself finds damaged; empty if nothing, or if it offers no such check."""
    if conn.dialect.name != "sqlite":
        return []
    return [line for line in conn.execute(_QUICK_CHECK).scalars() if line != "ok"]


# --- statements ---------------------------------------------------------------------------------------------

_QUICK_CHECK = text("PRAGMA quick_check(10)")
