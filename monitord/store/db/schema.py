"""The schema's version: found, held against the program's, and migrated."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect

from monitord.errors import StoreError

_MIGRATIONS = Path(__file__).parent / "migrations"


def current_revision(conn: Connection) -> str | None:
    """The revision a database is at; None for an empty one."""
    return MigrationContext.configure(conn).get_current_revision()


@lru_cache(maxsize=1)
def known_revisions() -> tuple[str, ...]:
    """Every revision this program knows, oldest first; the last is the one it works with."""
    scripts = ScriptDirectory.from_config(_config(None))
    return tuple(script.revision for script in scripts.walk_revisions())[::-1]


def upgrade(conn: Connection, revision: str = "head") -> None:
    """Bring the schema up to a revision, inside the connection's transaction; nothing to do is fine.

    Raises
    ------
    StoreError : the database belongs to a newer program, or to another one.
    """
    current = current_revision(conn)
    _check(conn, current)
    if current != (known_revisions()[-1] if revision == "head" else revision):
        command.upgrade(_config(conn), revision)


def downgrade(conn: Connection, revision: str) -> None:
    """Take the schema down to a revision (`base`: to nothing), inside the connection's transaction.

    Raises
    ------
    StoreError : the database belongs to a newer program, or to another one.
    """
    _check(conn, current_revision(conn))
    command.downgrade(_config(conn), revision)


def require_current(conn: Connection) -> None:
    """Refuse a database that this program's statements do not fit.

    Raises
    ------
    StoreError : the database belongs to a newer program, or to another one, or waits for its migration.
    """
    current = current_revision(conn)
    _check(conn, current)
    if current != known_revisions()[-1]:
        raise StoreError(
            f"the database is at schema {current or 'none'}, this program works with {known_revisions()[-1]}",
            where=_where(conn),
            remedy="Stop all that works with it and start one: it makes the change before it does anything else",
        )


def _check(conn: Connection, current: str | None) -> None:
    if current is not None and current not in known_revisions():
        raise StoreError(
            f"the database is at schema {current}, which this program (up to {known_revisions()[-1]}) does not know",
            where=_where(conn),
            why="a newer monitord has written it",
            remedy="Install that newer version again, or restore the backup made before it ran",
        )
    tables = sorted(set(inspect(conn).get_table_names()) - {"alembic_version"}) if current is None else []
    if tables:
        raise StoreError(
            f"the database holds tables that are not monitord's ({', '.join(tables[:3])})",
            where=_where(conn),
            remedy="Give `database.url` a database of its own",
        )


def _where(conn: Connection) -> str:
    return conn.engine.url.render_as_string(hide_password=True)


def _config(conn: Connection | None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = conn
    return config
