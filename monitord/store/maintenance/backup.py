"""Copies of an SQLite database while it is written to, and the way back.

A copy is made by SQLite's own backup (https://www.sqlite.org/backup.html) in a single step: under a write-ahead log
that is one read transaction, so it shows one moment and holds no writer up. It is checked before it gets its name, and
only then are older ones taken away: a damaged database never replaces a sound copy.

Sizes: a copy is as large as the database. A reading of temperature and RH takes 45 bytes with its roll-ups
(measured in `tests/integration/test_maintenance.py`): 20 probes that report each 10 minutes fill about 4 MB a month.
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from monitord.errors import StoreError
from monitord.store.db.schema import known_revisions
from monitord.store.maintenance.one_daemon import hand_over

_NAME = re.compile(r"monitord-(\d{8}T\d{6}Z)\.sqlite3")
_STAMP = "%Y%m%dT%H%M%SZ"
_UNFINISHED = ".part"
_LOGS = ("-wal", "-shm")


class Backup(NamedTuple):
    """A finished copy."""

    path: Path
    made_at: datetime


class Made(NamedTuple):
    """What a backup did."""

    path: Path
    size_bytes: int
    removed: tuple[Path, ...]
    """Older copies that made room."""


class Restored(NamedTuple):
    """What a restore did."""

    size_bytes: int
    kept_as: Path | None
    """Where the database that was there before lies now."""


def backups_in(folder: Path) -> list[Backup]:
    """The copies in a folder, oldest first; other files there are left alone."""
    found = ((path, _NAME.fullmatch(path.name)) for path in folder.glob("monitord-*.sqlite3"))
    made = (Backup(path, datetime.strptime(name[1], _STAMP).replace(tzinfo=UTC)) for path, name in found if name)
    return sorted(made, key=lambda backup: backup.made_at)


def make_backup(database: Path, folder: Path, at: datetime, keep: int) -> Made:
    """Copy a database into a folder, check the copy, and keep the newest `keep`.

    Raises
    ------
    StoreError : there is no room or right, or the copy is damaged, and so is the database then. No older copy goes.
    """
    path = folder / f"monitord-{at.strftime(_STAMP)}.sqlite3"
    unfinished = path.with_name(path.name + _UNFINISHED)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _need_room(database, folder)
        unfinished.unlink(missing_ok=True)
        _copy_database(database, unfinished)
        _check(unfinished)
        _settle(unfinished, path)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            "no backup could be made",
            where=str(folder),
            why=str(error),
            remedy="See that the disk has room and the user of monitord may write there; older backups are kept",
        ) from error
    finally:
        with suppress(OSError):  # the refusal above says more
            unfinished.unlink(missing_ok=True)
    old = [backup.path for backup in backups_in(folder)[:-keep]]
    for each in old:
        each.unlink(missing_ok=True)
    return Made(path, path.stat().st_size, tuple(old))


def restore_backup(backup: Path, database: Path, at: datetime, *, replace: bool) -> Restored:
    """Put a copy where the database is expected; no daemon may run on it meanwhile.

    Parameters
    ----------
    at : names what was there before.
    replace : whether a database that is there may be moved aside; it is never removed.

    Raises
    ------
    StoreError : the copy is damaged, no backup of this program or a newer one's, or a database is there.
    """
    if not backup.is_file():
        raise StoreError(
            "there is no such backup", where=str(backup), remedy="Give one of the files in `backup.folder`"
        )
    if database.exists() and not replace:
        raise StoreError(
            "there is a database already",
            where=str(database),
            remedy="Give --replace to move it aside and put the backup in its place",
        )
    unfinished = database.with_name(database.name + _UNFINISHED)
    try:
        _check(backup)
        database.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(backup, unfinished)
        hand_over(unfinished)
        kept_as = _moved_aside(database, at) if database.exists() else None
        _settle(unfinished, database)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            "the backup can't be restored",
            where=str(backup),
            why=str(error),
            remedy="Try an older one; see that there is room, and the right to write",
        ) from error
    finally:
        with suppress(OSError):  # the refusal above says more
            unfinished.unlink(missing_ok=True)
    return Restored(database.stat().st_size, kept_as)


def _need_room(database: Path, folder: Path) -> None:
    log = database.with_name(database.name + "-wal")
    needed = database.stat().st_size + (log.stat().st_size if log.exists() else 0)
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise OSError(f"{needed:,} bytes are needed and {free:,} are free")


def _copy_database(database: Path, to: Path) -> None:
    with closing(sqlite3.connect(_uri(database, "rw"), uri=True)) as source, closing(sqlite3.connect(to)) as copy:
        to.chmod(0o600)  # readings tell who lives where, and when nobody is at home
        source.execute("PRAGMA busy_timeout = 10000")
        source.backup(copy, pages=-1)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file that holds everything


def _uri(file: Path, mode: str) -> str:
    return f"{file.absolute().as_uri()}?mode={mode}"


def _check(file: Path) -> None:
    """Raise unless a file is a sound database of this program.

    Raises
    ------
    StoreError : it is damaged, another program's or a newer one's.
    """
    with closing(sqlite3.connect(_uri(file, "ro"), uri=True)) as copy:
        try:
            said = [row[0] for row in copy.execute("PRAGMA quick_check(3)")]
            revisions = [row[0] for row in copy.execute("SELECT version_num FROM alembic_version")]
        except sqlite3.DatabaseError as error:
            said, revisions = [str(error)], []
    if said != ["ok"]:
        raise StoreError(
            "the copy is damaged",
            where=str(file),
            why="; ".join(said),
            remedy="Stop the daemon and restore the newest sound backup: `monitord restore`",
        )
    if not revisions or revisions[0] not in known_revisions():
        raise StoreError(
            f"the copy is at schema {revisions[0] if revisions else 'none'}, which this program does not know",
            where=str(file),
            why=f"it knows those up to {known_revisions()[-1]}",
            remedy="Install the version of monitord that made it, or a newer one",
        )


def _moved_aside(database: Path, at: datetime) -> Path:
    kept_as = database.with_name(f"{database.name}.before-{at.strftime(_STAMP)}")
    for end in ("", *_LOGS):  # the log holds commits that the file has not; SQLite finds it by its name
        part = database.with_name(database.name + end)
        if part.exists():
            part.rename(kept_as.with_name(kept_as.name + end))
    return kept_as


def _settle(unfinished: Path, path: Path) -> None:
    """Give a finished file its name, so that a power cut leaves either all of it or nothing."""
    with unfinished.open("rb") as file:
        os.fsync(file.fileno())
    unfinished.rename(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
