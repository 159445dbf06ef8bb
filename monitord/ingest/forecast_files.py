"""Files of outdoor forecasts, looked at again and again."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from monitord.clock import Clock
from monitord.errors import DecodeError
from monitord.ingest.decoding.outdoor_forecast import decode
from monitord.store import jobs as stored_jobs
from monitord.store import outdoor_forecasts
from monitord.store.db.database import Database

log = logging.getLogger(__name__)


class ForecastFiles:
    """Files of forecasts, one for each job, looked at again and again.

    Parameters
    ----------
    pattern : path of the file, with `{job}` for the job's id.
    """

    def __init__(self, pattern: str, db: Database) -> None:
        self._pattern = pattern
        self._db = db
        self._seen: dict[str, str] = {}

    def look_for_running(self, clock: Clock) -> None:
        """Look for forecasts of the jobs that are running."""
        now = clock.now()
        with self._db.read() as conn:
            known = stored_jobs.list_jobs(conn)
        self.look((job.job for job in known if job.start <= now and (job.end is None or now < job.end)), now)

    def look(self, jobs: Iterable[str], now: datetime) -> list[str]:
        """Take in what is new; returns the jobs that have a new forecast. What is wrong is logged once."""
        taken = []
        for job in jobs:
            path = Path(self._pattern.replace("{job}", job))
            try:
                content = path.read_bytes()
            except FileNotFoundError:
                continue
            except OSError as error:
                self._report(job, str(error), f"{path}: {error.strerror or error}")
                continue
            digest = hashlib.sha256(content).hexdigest()
            if self._seen.get(job) == digest:
                continue
            try:
                found = decode(content, now)
            except DecodeError as error:
                self._report(job, digest, f"{path}: {error.message}")
                continue
            with self._db.write() as conn:
                outdoor_forecasts.keep(conn, job, found, now)
            self._seen[job] = digest
            taken.append(job)
        return taken

    def _report(self, job: str, state: str, words: str) -> None:
        if self._seen.get(job) != state:
            self._seen[job] = state
            log.error("the outdoor forecast of job %s can't be taken: %s", job, words)
