"""The database: one writer, many readers, and what is told the operator when it refuses.

SQLite runs in WAL mode, so that pages are read while readings land. `synchronous` is FULL, not the NORMAL that is
usual with WAL: under both a commit survives a killed process, but only FULL survives a power cut, and a drying
site is where fuses blow. An acknowledged reading exists nowhere else, so this is the promise that counts.
It costs one flush a commit. Measured on a virtual disk, quiet and then busy with other work: 2.2 and 3.8 ms a commit
of 500 readings against 1.6 and 2.7 with NORMAL; 0.2 and 4 ms a commit of a single reading against 0.02 and 0.03.
Readings are committed in batches, a few a second at the most, so even a memory card's tens of milliseconds a
flush are bearable.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol, Self

from sqlalchemy import URL, Connection, Engine, StaticPool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from monitord.errors import ConfigurationError, StoreError
from monitord.store.db import schema

_BUSY_TIMEOUT_MS = 10_000
_FORGOTTEN_MS = 30_000
"""A PostgreSQL server ends a transaction in which its writer does nothing for so long, and what it held is free: the
process was stopped, or its machine is gone. [ms] Our choice."""
_CONNECT_S = 10
_WAL_KEPT_BYTES = 64 * 2**20

_REMEDIES = {
    "lock timeout": "Another process has been writing for long; it is tried again",
    "idle-in-transaction": "This process stood still while it wrote; what it had begun is undone, and is tried again",
    "Connection refused": "See that the server runs, and that `database.url` names its host and port",
    "password authentication failed": "Correct user and password in `database.url`",
    "does not exist": "Make it first, on the server: createdb -O USER NAME",
    "permission denied": "Let the user of `database.url` own the database: createdb -O USER NAME",
    "No space left": "Free some space on the server's disk; nothing that was acknowledged is lost",
    "locked": "Another process is writing to it: run one daemon for each database",
    "disk is full": "Free some space on its disk; nothing that was acknowledged is lost",
    "readonly": "Give the user that runs monitord the right to write to the file and its folder",
    "unable to open": "Create its folder, and give the user that runs monitord the right to write there",
    "not a database": "The file is not an SQLite database: correct `database.url`, or restore a backup",
    "malformed": "The file is damaged: stop the daemon and restore a backup: `monitord restore FILE --replace`",
}
"""By a phrase of the database's own message."""


_TURN = int.from_bytes(b"monwrite")
"""Name of the advisory lock that writers on a PostgreSQL server take until they commit."""
_ALONE = f"SELECT pg_advisory_xact_lock({_TURN})"
_BESIDE_OTHERS = f"SELECT pg_advisory_xact_lock_shared({_TURN})"


class Beside(Protocol):
    """A store beside the database."""

    def close(self) -> None:
        """Let go of its connections."""
        ...


class Database:
    """The one way to the database: `write()` and `read()` hand out connections inside a transaction."""

    def __init__(self, writer: Engine, reader: Engine) -> None:
        self._writer = writer
        self._reader = reader
        self._shares_connection = writer is reader and writer.dialect.name == "sqlite"
        self._lock = threading.Lock()
        self._of_thread = threading.local()
        self._beside: list[Beside] = []

    @classmethod
    def open(cls, url: str, *, migrate: bool = True) -> Self:
        """Connect, and bring the schema up to this program's revision.

        Parameters
        ----------
        url : An SQLAlchemy URL: `sqlite:///relative/path`, `sqlite:////absolute/path`, `sqlite://` (in memory,
            for tests), or another database's.
        migrate : False leaves the schema as it is and refuses one that does not fit.

        Raises
        ------
        ConfigurationError : the URL can't be understood, or its driver is not installed.
        StoreError : the database can't be opened or migrated, is a newer program's, or is not monitord's.
        """
        database = cls(*_engines(url))
        try:
            with database.write() as conn:
                if migrate:
                    schema.upgrade(conn)
                else:
                    schema.require_current(conn)
        except BaseException:
            database.close()
            raise
        return database

    @property
    def url(self) -> str:
        """The URL, with any password hidden."""
        return self._writer.url.render_as_string(hide_password=True)

    @contextmanager
    def write(self, *, shared: bool = False) -> Iterator[Connection]:
        """A transaction that may write, alone at the database; commits at the end, rolls back on any error.

        Side effects (an acknowledgement, a message) belong after the block. Don't nest.

        Parameters
        ----------
        shared : other processes may have transactions of this kind open meanwhile, and no other kind. For what can be
            done in any order, such as to store readings, and for what holds the rows that it changes.

        Raises
        ------
        StoreError : the database refused; nothing of the block was kept.
        """
        if getattr(self._of_thread, "connection", None) is not None:
            raise RuntimeError("write() was called inside another transaction of this thread")
        with self._lock, self._transaction(self._writer) as conn:
            if conn.dialect.name == "postgresql":
                conn.exec_driver_sql(_BESIDE_OTHERS if shared else _ALONE)
            yield conn

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction that only reads, and sees one state of the database throughout.

        Raises
        ------
        StoreError : the database refused.
        """
        if not self._shares_connection:
            with _told(self.url), self._reader.begin() as conn:
                yield conn
        elif (outer := getattr(self._of_thread, "connection", None)) is not None:
            yield outer
        else:
            with self._lock, self._transaction(self._reader) as conn:
                yield conn

    def keep_beside(self, name: str, store: Beside) -> None:
        """Give every connection from now on a store beside the database, as its execution option `name`."""
        for engine in (self._writer, self._reader):
            engine.update_execution_options(**{name: store})
        self._beside.append(store)

    @property
    def has_store_beside(self) -> bool:
        """Whether there is such a store."""
        return bool(self._beside)

    def close(self) -> None:
        """Let go of all connections; safe to call twice."""
        for store in self._beside:
            store.close()
        self._reader.dispose()
        self._writer.dispose()

    @contextmanager
    def _transaction(self, engine: Engine) -> Iterator[Connection]:
        try:
            with _told(self.url), engine.begin() as conn:
                self._of_thread.connection = conn
                yield conn
        finally:
            self._of_thread.connection = None


@contextmanager
def _told(where: str) -> Iterator[None]:
    """Turn what the driver raises into an error that names the database and a remedy."""
    try:
        yield
    except DBAPIError as error:
        text = str(error.orig)
        remedy = next((remedy for phrase, remedy in _REMEDIES.items() if phrase in text), None)
        raise StoreError("the database refused", where=where, why=text, remedy=remedy) from error


def server_url(url: str) -> URL | None:
    """The URL of a database server, with its driver; None: the database is a file's, or in memory."""
    parsed = make_url(url)
    return _with_driver(parsed) if parsed.get_backend_name() == "postgresql" else None


def _with_driver(url: URL) -> URL:
    return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url


def _engines(url: str) -> tuple[Engine, Engine]:
    """The writing and the reading engine; the same one where the database has many writers or is in memory."""
    try:
        parsed = make_url(url)
        if parsed.get_backend_name() == "sqlite":
            return _sqlite_engines(parsed)
        if parsed.get_backend_name() == "postgresql":
            return _postgresql_engines(parsed)
        raise ArgumentError(f"{parsed.get_backend_name()!r} is not a database that monitord knows")
    except (ArgumentError, ImportError) as error:
        raise ConfigurationError(
            "`database.url` can't be used",
            why=str(error),
            remedy="Write sqlite:////var/lib/monitord/monitord.db or postgresql://user@host/monitord; "
            "PostgreSQL needs its driver: pip install 'monitord[postgresql]'",
        ) from error


def _postgresql_engines(url: URL) -> tuple[Engine, Engine]:
    """A writer that takes turns with other programs, and readers that see one state throughout."""
    url = _with_driver(url)
    limits = {"connect_timeout": _CONNECT_S, "options": f"-c lock_timeout={_BUSY_TIMEOUT_MS} -c timezone=UTC"}
    forgotten = f"{limits['options']} -c idle_in_transaction_session_timeout={_FORGOTTEN_MS}"
    writer = create_engine(
        url, pool_pre_ping=True, pool_size=1, max_overflow=2, connect_args={**limits, "options": forgotten}
    )
    reader = create_engine(
        url,
        pool_pre_ping=True,
        pool_size=8,
        max_overflow=32,
        isolation_level="REPEATABLE READ",
        connect_args={**limits, "options": f"{limits['options']} -c default_transaction_read_only=on"},
    )
    return writer, reader


def _sqlite_engines(url: URL) -> tuple[Engine, Engine]:
    if url.database in (None, "", ":memory:"):
        # every connection to an in-memory database sees a database of its own, so all share one
        engine = create_engine(url, poolclass=StaticPool, connect_args={"check_same_thread": False})
        _prepare(engine, begin="BEGIN")
        return engine, engine
    folder = Path(str(url.database)).absolute().parent
    if not str(url.database).startswith("file:") and not folder.is_dir():
        raise StoreError(
            "there is no folder for the database",
            where=str(folder),
            remedy="Create it, and give the user that runs monitord the right to write there",
        )
    writer = create_engine(url, pool_size=1, max_overflow=0)
    _prepare(writer, begin="BEGIN IMMEDIATE", wal=True)
    reader = create_engine(url, pool_size=8, max_overflow=32)
    _prepare(reader, begin="BEGIN", query_only=True)
    return writer, reader


def _prepare(engine: Engine, *, begin: str, wal: bool = False, query_only: bool = False) -> None:
    """Set up each new SQLite connection, and begin transactions ourselves.

    The driver's own way begins a transaction only before the first change, too late for a stable view and for
    BEGIN IMMEDIATE, which waits for another process's writer instead of failing half-way.
    """

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None
        connection.execute(f"PRAGMA busy_timeout = {_BUSY_TIMEOUT_MS}")
        connection.execute("PRAGMA foreign_keys = ON")
        if wal:
            mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            if mode != "wal":
                raise StoreError(
                    f"the database can't keep a write-ahead log (its journal mode stays {mode!r})",
                    where=str(engine.url.database),
                    remedy="Put it on a local disk; network file systems can't share the log's memory",
                )
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(f"PRAGMA journal_size_limit = {_WAL_KEPT_BYTES}")
        if query_only:
            connection.execute("PRAGMA query_only = ON")

    @event.listens_for(engine, "begin")
    def _begun(conn: Connection) -> None:
        conn.exec_driver_sql(begin)
