"""A year of simulated time through store and assessment: what it costs at its end is what it cost at its beginning.

`tests/endure.py year` runs it whole; a test runs some weeks and counts the work of the database instead of its time.
"""

from __future__ import annotations

import gc
import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Connection

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.pipeline import AssessmentCaches, assess_pending, mark_running
from monitord.store import alerts as stored_alerts
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.last_seen import probes_seen
from monitord.store.series.readings import insert_batch, load_series

START = datetime(2025, 1, 10, tzinfo=UTC)
PROBES = 20
STEP = timedelta(minutes=10)
JOB_DAYS = 28
"""A job lasts four weeks, and the next follows it: the year holds thirteen."""
BATCH = timedelta(hours=6)
"""Readings land together, and the job is assessed, so often."""
_STEPS = 100
"""Instructions of SQLite's virtual machine between two counts."""


@dataclass(frozen=True)
class Month:
    """What four weeks cost, at their end."""

    readings: int
    """In the store by then."""
    file_mb: float
    resident_mb: float
    """Resident memory of the process, after a collection of garbage. [MB]"""
    insert_ms: float
    """For the readings of six hours, 720, on the average."""
    assess_ms: float
    """For one assessment, on the average."""
    query_steps: int
    """Instructions of SQLite for what a page asks: who was heard, open alerts, two days of one probe."""


class _Clock:
    def __init__(self) -> None:
        self.time = START

    def now(self) -> datetime:
        return self.time

    def wait_s(self, duration_s: float) -> float:
        return duration_s


def weeks(folder: Path, months: int, *, days: int = JOB_DAYS) -> Iterator[Month]:
    """So many jobs of four weeks (or `days`), one after the other, with twenty probes of which two are placed."""
    db, clock, rules = Database.open(f"sqlite:///{folder}/year.sqlite3"), _Clock(), default_rule_book()
    chance, caches, each = random.Random(1), AssessmentCaches(), int(BATCH / STEP)
    for month in range(months):
        start = START + timedelta(days=days * month)
        with db.write() as conn:
            if month:
                apply_job(conn, _job(month - 1, start - timedelta(days=days), end=start))
            apply_job(conn, _job(month, start))
        inserting, assessing, rounds = 0.0, 0.0, 0
        for end in range(each, days * 144 + 1, each):
            times = [start + step * STEP for step in range(end - each + 1, end + 1)]
            batch = [_reading(n, at, chance) for at in times for n in range(PROBES)]
            clock.time = times[-1]
            began = time.perf_counter()
            with db.write() as conn:
                insert_batch(conn, batch)
            stored = time.perf_counter()
            mark_running(db, clock)
            assert not assess_pending(db, clock, rules, AnalysisOptions(), caches).failed
            inserting, assessing = inserting + stored - began, assessing + time.perf_counter() - stored
            rounds += 1
        gc.collect()
        yield Month(
            readings=(month + 1) * days * 144 * PROBES,
            file_mb=(folder / "year.sqlite3").stat().st_size / 1e6,
            resident_mb=_resident_mb(),
            insert_ms=1000 * inserting / rounds,
            assess_ms=1000 * assessing / rounds,
            query_steps=_steps_of(db, month, start, clock.time),
        )
    db.close()


def _job(month: int, start: datetime, end: datetime | None = None) -> JobFile:
    placements = [
        {"id": f"p{n}", "location_id": where, "from": start, "to": end, "interval_s": 600}
        for n, where in enumerate(("room", "yard"))
    ]
    locations = [{"id": "room", "kind": "room_air", "f_rsi": 0.6}, {"id": "yard", "kind": "outdoor_air"}]
    return JobFile.model_validate(
        {"job": f"J{month}", "start": start, "end": end, "locations": locations, "probes": placements}
    )


def _reading(n: int, at: datetime, chance: random.Random) -> Reading:
    """Wandering a little; every third day the room is humid, so that alerts open and close all the year."""
    humid = n == 0 and (at - START).days % 3 == 0
    celsius, humidity = (-5.0, 85.0) if n == 1 else (22.0, 72.0 if humid else 38.0)
    return Reading(
        probe=f"p{n}",
        time=at,
        temperature_c=celsius + chance.uniform(-0.2, 0.2),
        relative_humidity_pct=humidity + chance.uniform(-0.5, 0.5),
        battery_v=3.0,
        received_at=at,
    )


def _page(conn: Connection, month: int, start: datetime, now: datetime) -> None:
    probes_seen(conn)
    stored_alerts.open_alerts(conn)
    stored_alerts.current_alerts(conn, f"J{month}")
    load_series(conn, _job(month, start).probes[0], now - timedelta(days=2), now)


def _steps_of(db: Database, month: int, start: datetime, now: datetime) -> int:
    counted = 0

    def count() -> int:
        nonlocal counted
        counted += _STEPS
        return 0

    with db.read() as conn, _watched(conn, count):
        _page(conn, month, start, now)
    return counted


@contextmanager
def _watched(conn: Connection, count: Callable[[], int]) -> Iterator[None]:
    raw = conn.connection.driver_connection
    assert isinstance(raw, sqlite3.Connection)
    raw.set_progress_handler(count, _STEPS)
    try:
        yield
    finally:
        raw.set_progress_handler(None, _STEPS)


def _resident_mb() -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))
