"""What keeps the database safe while the daemon runs: whether it is sound, and copies of it when they are due."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from monitord.clock import Clock
from monitord.errors import MonitordError, StoreError
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.broker import QuarantineSettings
from monitord.model.config.settings import ArchiveSettings, BackupSettings
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.report import readings_archive
from monitord.store.db import integrity
from monitord.store.db.database import Database
from monitord.store.maintenance.backup import backups_in, make_backup
from monitord.store.maintenance.quarantine_limits import trim

_log = logging.getLogger(__name__)
REMEDY = "stop the daemon and restore a backup: `monitord restore FILE --replace`"


class IntegrityWatch:
    """Looks over the whole database at the start and each day, and remembers what it found."""

    def __init__(self, db: Database) -> None:
        self._db = db
        self.problem: str | None = None
        """What is damaged, with the remedy; None: nothing that was found."""

    def look(self) -> None:
        """Look; it reads the whole file once."""
        try:
            with self._db.read() as conn:
                found = integrity.health_problems(conn)
        except StoreError as error:
            if not integrity.means_damage(error):
                raise
            found = [error.why or error.what]
        if found:
            _log.error("the database is damaged: %s; %s", found[0], REMEDY)
        self.problem = f"the database is damaged ({found[0]}); {REMEDY}" if found else None


def tidy_quarantine(db: Database, clock: Clock, settings: QuarantineSettings) -> None:
    """Keep quarantine within its bounds, also where nothing new comes into it."""
    with db.write() as conn:
        trimmed = trim(conn, clock.now(), settings.max_age, settings.max_bytes)
    if any(trimmed):
        _log.info("quarantine: %d payloads cut, %d removed", *trimmed)


class Backups:
    """Makes a copy whenever the newest one is old enough, also if the daemon was away when it was due."""

    def __init__(self, database: Path, settings: BackupSettings, clock: Clock) -> None:
        self._database = database
        self._settings = settings
        self._clock = clock

    def make_if_due(self) -> None:
        """Make one if it is time.

        Raises
        ------
        StoreError : it could not be made; it is tried again at the next round.
        """
        folder, now = self._settings.folder, self._clock.now()
        if folder is None:
            return
        made = backups_in(folder) if folder.is_dir() else []
        if made and timedelta(0) <= now - made[-1].made_at < timedelta(hours=self._settings.every_h):
            return
        done = make_backup(self._database, folder, now, self._settings.keep)
        _log.info("backup made: %s, %.1f MB", done.path, done.size_bytes / 1e6)


def archive_ended(
    db: Database,
    clock: Clock,
    settings: ArchiveSettings,
    criteria: CriteriaBook,
    options: AnalysisOptions,
    stopping: Callable[[], bool] = lambda: False,
) -> None:
    """Archive the raw readings of the jobs that ended long enough ago; one that can't be is tried at the next round."""
    if settings.after_days is None or settings.folder is None:
        return
    for job in readings_archive.due(db, clock.now(), timedelta(days=settings.after_days)):
        if stopping():
            return
        try:
            done = readings_archive.archive_readings(db, job, settings.folder, clock.now(), criteria, options)
        except MonitordError as error:
            _log.error("the readings of job %s could not be archived: %s", job, error.message)
        else:
            _log.info("job %s: %d readings archived in %s", job, done.readings, done.file)
