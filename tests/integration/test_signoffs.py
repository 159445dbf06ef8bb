"""Sign-offs: what was known is frozen, a pack as of then has the same digest, and later wetting says so."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from evidence_support import end, job, readings
from sqlalchemy import Connection

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.readiness.signed_off import after_sign_off
from monitord.cli import main
from monitord.clock import SystemClock
from monitord.errors import JobFileError, StoreError
from monitord.model.assessments import Finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind, Truth
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readiness.signoffs import SignOff, Statement
from monitord.model.readiness.verdict import Verdict
from monitord.model.readings import Reading
from monitord.pipeline import assess_pending
from monitord.report.signing_off import Wish, sign_off
from monitord.store import alerts as stored_alerts
from monitord.store import jobs, signoffs
from monitord.store.access import audit
from monitord.store.assessments import latest_assessment
from monitord.store.db.database import Database
from monitord.store.pending_jobs import mark_job
from monitord.store.series.readings import insert_batch
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker

READY = Wish("house", "slab", Statement.READY, by="A. Byrne", role="project lead", own_reading="73 % RH, door")


class SetClock(SystemClock):
    """A clock that stands where the test puts it."""

    def __init__(self, time: datetime) -> None:
        self.time = time

    def now(self) -> datetime:
        return self.time


@pytest.fixture
def url(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)
    address = f"sqlite:///{tmp_path}/signoff.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", address)
    return address


@pytest.fixture
def db(url: str) -> Iterator[Database]:
    database = Database.open(url)
    with database.write() as conn:
        jobs.apply_job(conn, job())
        insert_batch(conn, readings())
    yield database
    database.close()


def recorded(conn: Connection, what: str, job_id: str, detail: str) -> None:
    audit.record(conn, end(), "A. Byrne", what, job=job_id, detail=detail)


def signed(db: Database, wish: Wish = READY) -> SignOff:
    return sign_off(db, wish, end(), built_in(), AnalysisOptions(), recorded)


def test_a_sign_off_whose_entry_in_the_record_fails_is_not_kept(db: Database) -> None:
    def full(*_: object) -> None:
        raise StoreError("the disk is full")

    with pytest.raises(StoreError, match="full"):
        sign_off(db, READY, end(), built_in(), AnalysisOptions(), full)
    with db.read() as conn:
        assert signoffs.signoffs(conn, "house") == []
    signed(db)
    with db.read() as conn:
        (entry,) = audit.entries(conn, job="house")
    assert (entry.what, entry.detail) == ("signed off", "slab as ready, as A. Byrne")


def test_a_sign_off_freezes_the_verdict_and_is_kept_with_the_job_as_it_was(db: Database) -> None:
    made = signed(db)
    assert made.verdict.verdict is Verdict.READY
    with db.read() as conn:
        assert signoffs.signoffs(conn, "house") == [made]
        assert signoffs.job_as_signed(conn, made.id) == job()


def test_later_readings_and_a_changed_job_leave_it_as_it_was(
    db: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = signed(db)
    with db.write() as conn:
        insert_batch(conn, readings(90.0, days=9, from_day=8))
        jobs.apply_job(conn, job(area_m2=500.0))
    pack = tmp_path / "pack.zip"
    assert main(["evidence", "make", "house", "--out", str(pack), "--signoff", str(made.id)]) == 0
    assert main(["evidence", "verify", str(pack)]) == 0
    said = capsys.readouterr().out
    assert f"Digest of what was known: {made.known_sha256}" in said
    assert "slab: ready, computed again from the readings: the same" in said
    assert main(["evidence", "make", "house", "--out", str(pack)]) == 0
    assert main(["evidence", "verify", str(pack)]) == 0
    said = capsys.readouterr().out
    assert made.known_sha256 not in said
    assert "slab: not_ready" in said or "slab: cannot_say" in said


def test_what_is_not_ready_can_only_be_signed_as_seen(db: Database) -> None:
    with db.write() as conn:
        jobs.apply_job(conn, job(area_m2=500.0))
    with pytest.raises(JobFileError, match="can't be signed as ready: positions do not pass"):
        signed(db)
    seen = signed(db, Wish("house", "slab", Statement.SEEN, by="A. Byrne"))
    assert seen.verdict.verdict is Verdict.NOT_READY


def test_an_element_without_a_verdict_and_a_nameless_person_are_refused(db: Database) -> None:
    with pytest.raises(JobFileError, match="no verdict is asked of 'roof'"):
        signed(db, Wish("house", "roof", Statement.SEEN, by="A"))
    with pytest.raises(JobFileError, match="by: "):
        signed(db, Wish("house", "slab", Statement.READY, by=""))


def test_a_withdrawal_needs_a_reason_stays_on_record_and_comes_once(
    db: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    made = signed(db)
    assert main(["signoff", "withdraw", str(made.id), "--by", "B. Nolan", "--why", "wrong covering"]) == 0
    with db.read() as conn:
        kept = signoffs.signoffs(conn, "house")[0]
    assert (kept.stands, kept.withdrawn_by, kept.withdrawn_reason) == (False, "B. Nolan", "wrong covering")
    assert kept.verdict == made.verdict
    with db.write() as conn, pytest.raises(StoreError, match="was withdrawn before"):
        signoffs.withdraw(conn, made.id, end(), "C", "again")
    capsys.readouterr()
    assert main(["signoff", "list", "house"]) == 0
    assert "wrong covering" in capsys.readouterr().out


def rewetting(truth: Truth = Truth.TRUE, location: str = "s2") -> Finding:
    return Finding(kind=FindingKind.REWETTING, location=location, measured_at=end() + timedelta(days=2), truth=truth)


def test_what_the_command_line_signs_and_withdraws_is_on_the_record_of_changes(db: Database) -> None:
    by = ["--by", "A. Byrne"]
    assert main(["signoff", "add", "house", "slab", "--as", "seen", *by]) == 0
    assert main(["signoff", "withdraw", "1", *by, "--why", "wrong slab"]) == 0
    with db.read() as conn:
        noted = audit.entries(conn, job="house")[::-1]
    assert [(entry.what, entry.detail) for entry in noted] == [
        ("signed off", "slab as seen, as A. Byrne"),
        ("withdrew a sign-off", "1, as A. Byrne: wrong slab"),
    ]


def test_a_re_wetting_after_a_sign_off_says_so_and_only_where_it_stands(db: Database) -> None:
    made = signed(db)
    marked = after_sign_off([rewetting()], [made])[0]
    assert (marked.facts.signed_off_at, marked.facts.signed_off_by) == (made.as_of, "A. Byrne")
    withdrawn = made.model_copy(update={"withdrawn_at": end()})
    seen = made.model_copy(update={"statement": Statement.SEEN})
    for findings, signs in (
        ([rewetting()], [withdrawn]),
        ([rewetting()], [seen]),
        ([rewetting(Truth.FALSE)], [made]),
        ([rewetting(location="room")], [made]),
    ):
        assert after_sign_off(findings, signs) == findings


def risen(reading: Reading) -> Reading:
    """One sleeve takes up water from the ninth day on, 0.15 % RH an hour."""
    if reading.probe != "p-s2":
        return reading
    hours = (reading.time - end()).total_seconds() / 3600 - 24
    return reading.model_copy(update={"relative_humidity_pct": reading.relative_humidity_pct + 0.15 * hours})


def test_the_daemon_raises_an_alert_that_speaks_of_the_sign_off(db: Database) -> None:
    signed(db)
    with db.write() as conn:
        wet = [risen(r) for r in readings(72.0, days=12, from_day=9)]
        insert_batch(conn, [*readings(72.0, days=9, from_day=8), *wet])
    clock = SetClock(end())
    for hours in range(0, 4 * 24 + 1, 6):
        clock.time = end() + timedelta(hours=hours)
        with db.write() as conn:
            mark_job(conn, "house")
        assert not assess_pending(db, clock, default_rule_book(), AnalysisOptions()).failed
    with db.read() as conn:
        assert latest_assessment(conn, "house") is not None
        told = [a for a in stored_alerts.open_alerts(conn, "house") if a.kind == "rewetting"]
    assert [a.location for a in told] == ["s2"]
    assert told[0].finding.facts.signed_off_at == end()
    sentence = AlertSpeaker(Speaker(language(), UTC, end()), told[0]).opening()
    assert "After sign-off on 18 Jan by A. Byrne." in sentence
