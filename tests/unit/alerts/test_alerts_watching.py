"""The program's watch over itself, from what is stored to alerts that open and close, on a real store."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from alerts_support import T0, after, empty, job

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.system.system_alerts import watch_over
from monitord.model.alerts import SYSTEM, Severity
from monitord.model.assessments import JobAssessment
from monitord.store import alerts as stored_alerts
from monitord.store import assessments, pending_jobs
from monitord.store import jobs as stored_jobs
from monitord.store.db.database import Database

RULES = default_rule_book()


@pytest.fixture(scope="module")
def shared() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def db(shared: Database) -> Database:
    empty(shared)
    with shared.write() as conn:
        stored_jobs.apply_job(conn, job(start=T0))
    return shared


def assessed(db: Database, at: float) -> None:
    """What a round of assessment leaves behind."""
    with db.write() as conn:
        made = JobAssessment(job="J1", as_of=after(at), last_reading_at=None, locations=(), findings=())
        assessments.save_assessment(conn, made)
        for name, mark in pending_jobs.marked_jobs(conn):
            pending_jobs.clear_mark(conn, name, mark)


def told(db: Database, minute: float, disk: Path | None = None) -> list[str]:
    """What one look over the program changes."""
    events = watch_over(db, RULES, after(minute), disk).events
    with db.read() as conn:
        kinds = {a.fingerprint: a.kind for a in stored_alerts.current_alerts(conn, SYSTEM)}
    return [f"{kinds[event.fingerprint]} {event.event}" for event in events]


def test_assessment_that_falls_behind_is_an_alert_until_it_has_caught_up(db: Database) -> None:
    assessed(db, 0)
    with db.write() as conn:
        pending_jobs.mark_job(conn, "J1")
    assert told(db, 14) == []
    assert told(db, 16) == []
    assert told(db, 19) == ["assessment_behind opened"]
    with db.read() as conn:
        (open_,) = stored_alerts.open_alerts(conn, SYSTEM)
    assert open_.severity is Severity.ACT
    assessed(db, 20)
    assert told(db, 21) == ["assessment_behind closed"]


def test_a_job_that_was_never_assessed_is_behind_since_its_start(db: Database) -> None:
    with db.read() as conn:
        assert assessments.oldest_behind(conn) == T0
    assert told(db, 16) == []
    assert told(db, 19) == ["assessment_behind opened"]
    assessed(db, 20)
    with db.read() as conn:
        assert assessments.oldest_behind(conn) is None
    assert told(db, 21) == ["assessment_behind closed"]


class Usage(NamedTuple):
    """As shutil.disk_usage gives it."""

    total: int
    used: int
    free: int


def test_a_disk_that_fills_is_an_alert_that_grows_more_urgent_and_ends(
    db: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assessed(db, 0)
    free = [50]
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(100, 100 - free[0], free[0]))
    assert told(db, 1, tmp_path) == []
    free[0] = 9
    assert told(db, 2, tmp_path) == ["disk_nearly_full opened"]
    free[0] = 2
    assert told(db, 3, tmp_path) == ["disk_nearly_full severity_raised"]
    free[0] = 12
    assert told(db, 4, tmp_path) == ["disk_nearly_full severity_lowered"]
    free[0] = 20
    assert told(db, 5, tmp_path) == ["disk_nearly_full closed"]
