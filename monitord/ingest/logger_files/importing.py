"""A logger's file into the store: all of it or nothing, and the same file again changes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from monitord.errors import ConfigurationError
from monitord.ingest.logger_files.column_mapping import ColumnMapping
from monitord.ingest.logger_files.reading_rows import LoggerFile, read_rows
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch

_BATCH = 1000
"""Readings in one commit, so that live ones need not wait long. Our choice."""
_SHOWN = 100
"""Mistakes that are written out. Our choice."""


class Imported(NamedTuple):
    """What became of a file."""

    inserted: int
    repeats: int
    conflicts: int
    """Readings that contradict a stored one of the same probe and time; they are in quarantine."""


def text_of(path: Path, encoding: str) -> str:
    """The text of a file.

    Raises
    ------
    ConfigurationError : it can't be read, or is not in that encoding.
    """
    try:
        return path.read_text(encoding=encoding)
    except OSError as error:
        raise ConfigurationError(
            "the file can't be read", where=str(path), why=error.strerror or str(error), remedy="Check path and rights"
        ) from None
    except (UnicodeError, LookupError) as error:
        raise ConfigurationError(
            f"the file is not in {encoding}",
            where=str(path),
            why=str(error),
            remedy="Give its `encoding` in the mapping: cp1252 and utf-16 are usual ones",
        ) from None


def checked(path: Path, mapping: ColumnMapping, now: datetime) -> LoggerFile:
    """What a file holds, once nothing in it is wrong.

    Raises
    ------
    ConfigurationError : it can't be read, its columns are not those of the mapping, or lines are wrong: all of them,
        each with its number and what to do.
    """
    found = read_rows(text_of(path, mapping.encoding), mapping, now)
    if found.mistakes:
        lines = "".join(f"\n  {mistake}" for mistake in found.mistakes[:_SHOWN])
        more = len(found.mistakes) - _SHOWN
        rest = f"\n  and {more} more" if more > 0 else ""
        raise ConfigurationError(f"{len(found.mistakes)} mistakes; nothing was imported{lines}{rest}", where=str(path))
    return found


def import_readings(db: Database, found: LoggerFile) -> Imported:
    """Store the readings of a file."""
    total = Imported(0, 0, 0)
    for part in _parts(found):
        with db.write() as conn:
            done = insert_batch(conn, part.readings)
        total = Imported(
            total.inserted + done.inserted, total.repeats + done.repeats, total.conflicts + len(done.conflicts)
        )
    return total


def _parts(found: LoggerFile) -> Iterator[LoggerFile]:
    for start in range(0, len(found.readings), _BATCH):
        yield LoggerFile(found.readings[start : start + _BATCH])
