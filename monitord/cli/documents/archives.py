"""`monitord job archive` and `restore-readings`: raw readings of closed jobs out of the database, and back."""

from __future__ import annotations

from argparse import Namespace

from monitord.cli.common import database_of, note, out, settings_of
from monitord.clock import SystemClock
from monitord.model.readiness.criteria_files import criteria_book
from monitord.report.readings_archive import archive_readings, restore_readings
from monitord.report.signing import load_key


def archive(parsed: Namespace) -> int:
    """Carry out `job archive`."""
    settings = settings_of(parsed)
    key = None if parsed.key is None else load_key(parsed.key)
    book, now = criteria_book(settings.criteria.folder), SystemClock().now()
    with database_of(parsed) as database:
        done = archive_readings(database, parsed.job, parsed.to, now, book, settings.analysis, key)
        with database.write() as connection:
            note(connection, "archived the readings of a job", parsed.job, f"{done.file}, SHA-256 {done.sha256}")
    out(f"{parsed.job}: {done.readings} readings lie in {done.file} since {done.archived_at:%Y-%m-%dT%H:%M:%SZ}")
    out(f"SHA-256 {done.sha256}; only this file is taken back: keep it, and a copy of it elsewhere")
    return 0


def restore(parsed: Namespace) -> int:
    """Carry out `job restore-readings`."""
    with database_of(parsed) as database:
        job, count = restore_readings(database, parsed.pack)
        if not count:
            out(f"{job}: nothing to put back, its readings are in the database")
            return 0
        with database.write() as connection:
            note(connection, "put the readings of a job back", job, parsed.pack.name)
    out(f"{job}: {count} readings are back as they were; the next round assesses it again")
    return 0
