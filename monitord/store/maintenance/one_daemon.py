"""One daemon for each database: the second is told of the first, and ends.

A lock of the operating system on a file beside the database (flock(2)): it ends with the process that holds it, however
that ends, so a crash or a power cut leaves nothing behind that would keep the next start out.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import Self

from monitord.errors import StoreError

_SUFFIX = ".lock"


def hand_over(file: Path) -> None:
    """Give a file that root has made to whom its folder belongs: the daemon must be able to write it."""
    if os.geteuid() == 0:
        folder = file.parent.stat()
        os.chown(file, folder.st_uid, folder.st_gid)


class DaemonLock:
    """Held by whoever alone may work on a database, from `take` to `release`.

    Parameters
    ----------
    database : the SQLite file; None: another kind of database, which this can't lock.
    """

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
