"""`monitord backup`, `restore`, `store` and `broker`: what keeps readings from being lost."""

from __future__ import annotations

from argparse import Namespace
from contextlib import closing

from monitord.cli.common import out, settings_of
from monitord.clock import SystemClock
from monitord.errors import ConfigurationError
from monitord.store.db.database import Database
from monitord.store.db.integrity import need_file_of
from monitord.store.maintenance.backup import make_backup, restore_backup
from monitord.store.maintenance.one_daemon import DaemonLock, lock_of
from monitord.store.series.keeping import influx_readings, known_place, open_store


def backup(parsed: Namespace) -> int:
    """Copy the database; the daemon may run."""
    settings = settings_of(parsed)
    folder = parsed.to or settings.backup.folder
    if folder is None:
        raise ConfigurationError(
            "nothing says where to", where="backup.folder", remedy="Give --to FOLDER, or set it in the settings"
        )
    file = need_file_of(settings.database.url, "monitord backup")
    made = make_backup(file, folder, SystemClock().now(), settings.backup.keep)
    out(f"{made.path}: {made.size_bytes:,} bytes, checked; older ones removed: {len(made.removed)}")
    return 0


def restore(parsed: Namespace) -> int:
    """Put a backup in the place of the database."""
    file = need_file_of(settings_of(parsed).database.url, "monitord restore")
    file.parent.mkdir(parents=True, exist_ok=True)
    with DaemonLock(file):
        done = restore_backup(parsed.file, file, SystemClock().now(), replace=parsed.replace)
    out(f"{file}: {done.size_bytes:,} bytes, checked")
    if done.kept_as is not None:
        out(f"what was there before: {done.kept_as}")
    return 0


def make_session(parsed: Namespace) -> int:
    """Sign in to each broker as the daemon does, subscribe, and leave the session there."""
    from monitord.ingest.mqtt.session import make_sessions

    settings = settings_of(parsed)
    with lock_of(settings.database.url, shared=parsed.name is not None) as lock:
        lock.share()  # a whole daemon has its session, and would be sent away; others share the work
        sessions = make_sessions(settings, parsed.name)
    for made in sessions:
        kept = "it was there already" if made.was_there else "it is new"
        out(f"{made.where} keeps a session for {made.client_id!r} ({kept}): {', '.join(made.filters)}")
    return 0


def leave_session(parsed: Namespace) -> int:
    """Take in what waits for an ingest process that is not to run again, and have the brokers forget it."""
    from monitord.ingest.mqtt.session import leave_sessions

    settings = settings_of(parsed)
    with lock_of(settings.database.url, shared=True) as lock, closing(open_store(settings, migrate=False)) as db:
        lock.share()
        taken = leave_sessions(settings, db, parsed.name)
    out(f"the session is given up; {taken} messages waited there, and are stored")
    return 0


def move(parsed: Namespace) -> int:
    """Move everything to another database, and prove that it is the same."""
    from monitord.store.maintenance.moving import MovedTable, move_store

    if parsed.source == parsed.target:
        raise ConfigurationError("both databases are the same", where=parsed.source, remedy="Give the new one as TO")

    def told(table: MovedTable) -> None:
        out(f"{table.name}: {table.rows:,} rows, {table.digest}")

    with (
        lock_of(parsed.source),
        lock_of(parsed.target),
        closing(Database.open(parsed.source)) as source,
        closing(Database.open(parsed.target)) as target,
    ):
        moved, where = move_store(source, target, told), target.url
    rows = sum(table.rows for table in moved)
    out(f"{rows:,} rows of {len(moved)} tables are the same on both sides; set `database.url` to {where}")
    return 0


def move_readings(parsed: Namespace) -> int:
    """Move the raw readings into InfluxDB, or back into the database."""
    from monitord.store.maintenance.moving_readings import to_database, to_influxdb

    settings = settings_of(parsed)
    if settings.store.url is None:
        raise ConfigurationError(
            "no InfluxDB is named", where="store.url", remedy="Give url and bucket in [store]; see DATABASES.md"
        )
    there, inward = f"influxdb {settings.store.bucket}", parsed.place == "influxdb"
    with (
        lock_of(settings.database.url),
        closing(Database.open(settings.database.url)) as db,
        closing(influx_readings(settings.store)) as store,
    ):
        with db.read() as conn:
            known = known_place(conn)
        if known != (None if inward else there):
            raise ConfigurationError(f"the readings are in {known or 'the database'}", where=settings.store.bucket)
        count = to_influxdb(db, store, there) if inward else to_database(db, store)
    out(f"{count:,} readings are the same there; now set `store.readings` to {parsed.place}")
    return 0
