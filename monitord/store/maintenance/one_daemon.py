"""One daemon for each database: the second is told of the first, and ends.

Beside an SQLite file it is a lock of the operating system (flock(2)), on a PostgreSQL server an advisory lock of a
connection. Either ends with the process that holds it, however that ends, so a crash or a power cut leaves nothing
behind that would keep the next start out.

Processes that share the work of one PostgreSQL database hold the lock together, and keep a whole daemon out.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Protocol, Self

from sqlalchemy import Connection, Engine, NullPool, create_engine, text
from sqlalchemy.exc import DBAPIError, OperationalError

from monitord.errors import StoreError
from monitord.store.db.database import server_url
from monitord.store.db.integrity import file_of

_SUFFIX = ".lock"
_SERVER_KEY = int.from_bytes(b"monitord")
"""Name of the advisory lock; each database of a server has its own locks."""


class Lock(Protocol):
    """Held by whoever alone may work on a database, from `take` to `release`."""

    lost: str | None
    """Why it is held no more although nobody released it; None: it is."""
    alone: bool
    """Whether nobody else holds it too: only then may the schema be changed."""

    def share(self) -> None:
        """Let others that share the work in."""
        ...

    def take(self) -> None:
        """Take it, or raise a StoreError."""
        ...

    def keep(self) -> None:
        """See that it is still held."""
        ...

    def release(self) -> None:
        """Let it go; safe to call twice."""
        ...

    def __enter__(self) -> Self: ...

    def __exit__(self, *_: object) -> None: ...


def lock_of(url: str, *, shared: bool = False) -> Lock:
    """The lock of a database; `shared`: held with others that share the work, where it is a server's."""
    found = server_url(url)
    return DaemonLock(file_of(url)) if found is None else ServerLock(url, shared=shared)


def hand_over(file: Path) -> None:
    """Give a file that root has made to whom its folder belongs: the daemon must be able to write it."""
    if os.geteuid() == 0:
        folder = file.parent.stat()
        os.chown(file, folder.st_uid, folder.st_gid)


class DaemonLock:
    """Held by whoever alone may work on a database, from `take` to `release`.

    Parameters
    ----------
    database : the SQLite file; None: it is in memory, and nobody else's.
    """

    lost: str | None = None
    alone = True

    def __init__(self, database: Path | None) -> None:
        self._path = None if database is None else database.with_name(database.name + _SUFFIX)
        self._file: int | None = None

    def take(self) -> None:
        """Take it.

        Raises
        ------
        StoreError : another process holds it, or the file can't be written.
        """
        if self._path is None:
            return
        try:
            file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
            hand_over(self._path)
        except OSError as error:
            raise StoreError(
                "the lock of the database can't be written",
                where=str(self._path),
                why=error.strerror,
                remedy="Give the user that runs monitord the right to write in that folder",
            ) from error
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = os.pread(file, 20, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(file)
            raise StoreError(
                f"another monitord (process {holder}) works with this database",
                where=str(self._path),
                remedy="Stop that one first, or give each its own `database.url` and `broker.client_id`",
            ) from None
        os.ftruncate(file, 0)
        os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
        self._file = file

    def share(self) -> None:
        """A file is shared with nobody."""

    def keep(self) -> None:
        """Nothing to see to: the operating system takes it from no living process."""

    def release(self) -> None:
        """Let it go; safe to call twice. The file stays: to remove it would let two hold it."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def __enter__(self) -> Self:
        self.take()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


class ServerLock:
    """The same on a PostgreSQL server, by a connection that does nothing else.

    A server that was restarted has forgotten the lock: `keep` takes it again.

    Parameters
    ----------
    shared : hold it together with others that share the work. The first to come has it alone until `share`, so that
        the schema is changed by one, and under nobody's feet.
    """

    lost: str | None = None

    def __init__(self, url: str, *, shared: bool = False) -> None:
        self._shared = shared
        self.alone = not shared
        self._engine: Engine = create_engine(
            server_url(url) or url,
            poolclass=NullPool,
            isolation_level="AUTOCOMMIT",
            connect_args={"connect_timeout": 10, "application_name": f"monitord {os.getpid()}", "keepalives_idle": 30},
        )
        self._held: Connection | None = None

    def take(self) -> None:
        """Take it.

        Raises
        ------
        StoreError : another process holds it, or the server does not answer.
        """
        where = self._engine.url.render_as_string(hide_password=True)
        try:
            conn = self._engine.connect()
            taken = conn.execute(_TRY, _KEY).scalar_one()
            if self._shared:
                self.alone, taken = taken, taken or _taken_with_others(conn)
            holder = None if taken else conn.execute(_HOLDER, _KEY).scalar()
        except DBAPIError as error:
            raise StoreError(
                "the database does not answer",
                where=where,
                why=str(error.orig).strip(),
                remedy="See that the server runs, and that `database.url` has its address, user and password",
            ) from error
        if not taken:
            conn.close()
            raise StoreError(
                f"another monitord ({holder or 'unknown'}) works with this database",
                where=where,
                remedy="Stop that one first, or give each its own `database.url` and `broker.client_id`",
            )
        self._held = conn

    def share(self) -> None:
        """Let others that share the work in.

        Raises
        ------
        StoreError : the server does not answer.
        """
        if not (self._shared and self.alone) or self._held is None:
            return
        try:
            self._held.execute(_WITH_OTHERS, _KEY)
            self._held.execute(_ALONE_NO_MORE, _KEY)
        except DBAPIError as error:
            raise StoreError("the lock of the database was lost", why=str(error.orig).strip()) from error
        self.alone = False

    def keep(self) -> None:
        """See that it is still held, and take it again where the server has forgotten it.

        Raises
        ------
        StoreError : the server does not answer, or another process has it now; then `lost` says so.
        """
        try:
            if self._held is not None:
                self._held.execute(_STILL)
            return
        except DBAPIError:
            self._drop()
        try:
            self.take()
            self.share()
        except StoreError as error:
            self._held = None
            if error.what.startswith("another"):
                self.lost = error.message
            raise

    def release(self) -> None:
        """Let it go; safe to call twice."""
        self._drop()
        self._engine.dispose()

    def _drop(self) -> None:
        if self._held is not None:
            self._held.invalidate()
            self._held.close()
            self._held = None

    def __enter__(self) -> Self:
        self.take()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


# --- statements ---------------------------------------------------------------------------------------------

_KEY = {"key": _SERVER_KEY}
_TRY = text("SELECT pg_try_advisory_lock(:key)")
_PATIENCE = text("SET lock_timeout = '10s'")
"""For one that changes the schema before it lets others in. Our choice."""
_WITH_OTHERS = text("SELECT pg_advisory_lock_shared(:key)")
_ALONE_NO_MORE = text("SELECT pg_advisory_unlock(:key)")
_STILL = text("SELECT 1")
_HOLDER = text(
    "SELECT a.application_name || ' at ' || coalesce(host(a.client_addr), 'this machine') "
    "FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid "
    "WHERE l.locktype = 'advisory' AND l.granted AND (l.classid::bigint << 32) + l.objid::bigint = :key "
    "AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database()) LIMIT 1"
)


def _taken_with_others(conn: Connection) -> bool:
    conn.execute(_PATIENCE)
    try:
        conn.execute(_WITH_OTHERS, _KEY)
    except OperationalError as error:
        if "lock timeout" in str(error.orig):
            return False
        raise
    return True
