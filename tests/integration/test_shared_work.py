"""Several processes on one PostgreSQL: what may happen at the same time and what may not."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import team
from brokers import wait_until
from postgres import Postgres
from sqlalchemy import text

import monitord.pipeline
from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.assess import assess_job
from monitord.clock import SystemClock
from monitord.daemon import shared_work
from monitord.daemon.shared_work import SharedWork
from monitord.errors import StoreError, TakenOverError
from monitord.model.assessments import JobAssessment
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.roles import DaemonRole
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.pipeline import AssessmentCaches, RoundResult, assess_pending
from monitord.store import alerts as stored_alerts
from monitord.store import assessments, jobs, pending_jobs, quarantine
from monitord.store.db import database as databases
from monitord.store.db.database import Database
from monitord.store.db.times import HOUR_MS, to_ms
from monitord.store.maintenance import leases, one_daemon
from monitord.store.maintenance.one_daemon import lock_of
from monitord.store.series import rollups
from monitord.store.series.readings import BatchResult, insert_batch

T0 = datetime(2025, 3, 1, tzinfo=UTC)


@pytest.fixture
def two(postgres: Postgres, migrated: str) -> Iterator[tuple[Database, Database]]:
    """The database as two processes have it open."""
    postgres.empty("work")
    one, other = Database.open(migrated), Database.open(migrated)
    yield one, other
    one.close()
    other.close()


def reading(minutes: float, temperature_c: float = 15.0) -> Reading:
    at = T0 + timedelta(minutes=minutes)
    return Reading(probe="p1", time=at, temperature_c=temperature_c, relative_humidity_pct=80.25, received_at=at)


def waits_for(db: Database) -> bool:
    """Whether some connection waits for a lock."""
    with db.read() as conn:
        return conn.execute(text("SELECT count(*) FROM pg_locks WHERE NOT granted")).scalar_one() > 0


def beside(work: Callable[[], object]) -> threading.Thread:
    thread = threading.Thread(target=work)
    thread.start()
    return thread


def test_a_claim_passes_over_what_is_being_claimed_and_waits_for_nothing(two: tuple[Database, Database]) -> None:
    one, other = two
    with one.write(shared=True) as conn:
        leases.claim(conn, "job", ["J1", "J2"], "z", 0, 0)
    with one.write(shared=True) as conn:
        assert list(leases.claim(conn, "job", ["J1"], "a", 100, 130)) == ["J1"]
        with other.write(shared=True) as beside_it:
            assert list(leases.claim(beside_it, "job", ["J1", "J2"], "b", 100, 130)) == ["J2"]


def test_a_commit_of_readings_and_any_other_take_turns(two: tuple[Database, Database]) -> None:
    """A roll-up that looked at an hour while a reading of it was not committed would leave it out for good."""
    one, other = two
    with one.write() as conn:
        insert_batch(conn, [reading(0, 10.0)])
    with one.write(shared=True) as conn:
        insert_batch(conn, [reading(1, 20.0)])
        renewing = beside(lambda: rollups.renew_all(other, to_ms(T0) + HOUR_MS))
        wait_until(lambda: waits_for(one), "the roll-up waits")
    renewing.join(30)
    with one.read() as conn:
        assert conn.execute(text("SELECT count, temperature_c FROM hourly")).all() == [(2, 15.0)]
        assert conn.execute(text("SELECT count(*) FROM touched_hour")).scalar_one() == 0


def test_two_batches_that_land_at_once_keep_the_first_and_tell_what_contradicts(two: tuple[Database, Database]) -> None:
    one, other = two
    found: list[BatchResult] = []

    def land() -> None:
        with other.write(shared=True) as conn:
            found.append(insert_batch(conn, [reading(0), reading(1, 99.0), reading(2)]))

    with one.write(shared=True) as conn:
        insert_batch(conn, [reading(0), reading(1)])
        landing = beside(land)
        wait_until(lambda: waits_for(one), "the second batch waits for the first")
    landing.join(30)
    assert [(r.inserted, r.repeats, len(r.conflicts)) for r in found] == [(1, 1, 1)]
    with one.read() as conn:
        assert conn.execute(text("SELECT count(*), max(temperature_c) FROM reading")).one() == (3, 15.0)
        assert [held.code for held in quarantine.list_held(conn)] == ["conflict"]


def test_who_stands_still_in_a_transaction_holds_up_the_others_for_a_bounded_time(
    migrated: str, two: tuple[Database, Database], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(databases, "_FORGOTTEN_MS", 500)
    paused = Database.open(migrated)

    def stand_still() -> None:
        with paused.write() as conn:
            insert_batch(conn, [reading(0)])
            with two[0].write() as other:  # waits until the server has ended the transaction that stands still
                assert insert_batch(other, [reading(0, 11.0)]).inserted == 1
            insert_batch(conn, [reading(1)])

    with pytest.raises(StoreError, match="stood still while it wrote"):
        stand_still()
    with paused.write() as conn:
        assert insert_batch(conn, [reading(1)]).inserted == 1
    paused.close()


def test_the_lock_is_shared_by_those_who_share_and_keeps_a_whole_daemon_out(
    migrated: str, two: tuple[Database, Database], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = lock_of(migrated, shared=True), lock_of(migrated, shared=True)
    first.take()
    assert first.alone
    coming = beside(second.take)  # waits while the first may be changing the schema
    wait_until(lambda: waits_for(two[0]), "the second waits")
    first.share()
    coming.join(30)
    assert not first.alone
    assert not second.alone
    with pytest.raises(StoreError, match="another monitord"):
        lock_of(migrated).take()
    first.release()
    second.keep()
    with pytest.raises(StoreError, match="another monitord"):
        lock_of(migrated).take()
    second.release()
    monkeypatch.setattr(one_daemon, "_PATIENCE", text("SET lock_timeout = '50ms'"))
    with lock_of(migrated), pytest.raises(StoreError, match="another monitord"):
        second.take()


# --- who does what -------------------------------------------------------------------------------------------------


def worker(db: Database, name: str) -> SharedWork:
    made = SharedWork(db, [DaemonRole.ASSESS], name)
    made.announce()
    return made


def time_passes(db: Database) -> None:
    """As if everybody had been silent for longer than a lease."""
    with db.write() as conn:
        conn.execute(text("UPDATE worker SET until_ms = 0"))
        conn.execute(text("UPDATE lease SET until_ms = 0 WHERE until_ms > 0"))


def add_jobs(db: Database, count: int) -> list[str]:
    """Jobs with a wet cold surface for the last two hours, each marked."""
    clock = SystemClock()
    start = clock.now() - timedelta(hours=4)
    with db.write() as conn:
        for n in range(count):
            at = ((f"a{n}", "room"), (f"b{n}", "yard"))
            jobs.apply_job(
                conn,
                JobFile.model_validate(
                    {
                        "job": f"J{n}",
                        "start": start,
                        "locations": [
                            {"id": "room", "kind": "room_air", "f_rsi": 0.6},
                            {"id": "yard", "kind": "outdoor_air"},
                        ],
                        "probes": [{"id": probe, "location_id": where, "from": start} for probe, where in at],
                    }
                ),
            )
    land(db, count, clock.now() - timedelta(hours=2), 12)
    return [f"J{n}" for n in range(count)]


def land(db: Database, count: int, since: datetime, readings: int) -> None:
    made = []
    for n in range(count):
        for k in range(readings):
            time = since + timedelta(minutes=10 * k + 9)
            for probe, celsius, humidity in ((f"a{n}", 22.0, 75.0), (f"b{n}", -5.0, 85.0)):
                values = {"temperature_c": celsius, "relative_humidity_pct": humidity + k % 3 / 10}
                made.append(Reading(probe=probe, time=time, received_at=time, **values))
    with db.write(shared=True) as conn:
        insert_batch(conn, made)


def assess(db: Database, shared: SharedWork, caches: AssessmentCaches | None = None) -> RoundResult:
    return assess_pending(db, SystemClock(), default_rule_book(), AnalysisOptions(), caches, claims=shared)


def test_jobs_are_shared_out_and_change_hands_only_with_who_comes_and_goes(two: tuple[Database, Database]) -> None:
    one, other = two
    names = add_jobs(one, 12)
    first, second = worker(one, "first"), worker(other, "second")

    def offered(shared: SharedWork) -> set[str]:
        return {job for batch in shared.batches() for job, _, _ in batch.jobs}

    of_first, of_second = offered(first), offered(second)
    assert of_first | of_second == set(names)
    assert not of_first & of_second
    assert of_first
    assert of_second
    third = worker(one, "third")
    time_passes(one)
    for shared in (first, second, third):
        shared.announce()
    now = [offered(shared) for shared in (first, second, third)]
    assert now[0] <= of_first
    assert now[1] <= of_second
    assert now[2] == set(names) - now[0] - now[1]
    third.leave()  # what it held is free at once, and its jobs are again whose they were
    assert offered(first) == of_first
    assert offered(second) == of_second


def test_a_job_is_not_offered_again_when_another_has_just_assessed_it(
    two: tuple[Database, Database], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shared_work, "_AT_ONCE", 1)
    one, other = two
    first, second = add_jobs(one, 2)
    batches = worker(one, "slow").batches()
    assert [job for job, _, _ in next(batches).jobs] == [first]
    time_passes(one)
    assert assess(other, worker(other, "fast")).assessed == (first, second)
    assert [batch.jobs for batch in batches] == [[]]


def test_who_stood_still_past_its_lease_puts_nothing_over_what_another_has_found(
    two: tuple[Database, Database], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    one, other = two
    (name,) = add_jobs(one, 1)
    paused = worker(one, "paused")
    found: list[JobAssessment] = []

    def stand_still(*args: Any, **how: Any) -> JobAssessment:
        monkeypatch.setattr(monitord.pipeline, "assess_job", assess_job)
        made = assess_job(*args, **how)
        time_passes(other)
        land(other, 1, SystemClock().now() - timedelta(minutes=9, seconds=1), 1)
        assert assess(other, worker(other, "awake")).assessed == (name,)
        with other.read() as conn:
            found.append(assessments.latest_assessment(conn, name))  # type: ignore[arg-type]
        return made

    monkeypatch.setattr(monitord.pipeline, "assess_job", stand_still)
    caches = AssessmentCaches()
    with caplog.at_level(logging.WARNING):
        done = assess(one, paused, caches)
    assert (done.assessed, done.failed) == ((), ())
    assert "was taken over while it was assessed" in caplog.text
    with one.read() as conn:
        assert assessments.latest_assessment(conn, name) == found[0]
        events = [(event.event, event.fingerprint) for event in stored_alerts.events(conn)]
        assert len(set(events)) == len(events)
        assert pending_jobs.marked_jobs(conn) == []
        history = conn.execute(text("SELECT count(*) FROM forecast")).scalar_one()
    with one.write() as conn:  # it takes the job back, and begins with what the store holds
        pending_jobs.mark_job(conn, name)
    time_passes(one)
    paused.announce()
    assert assess(one, paused, caches).assessed == (name,)
    with one.read() as conn:
        assert len(set(events)) == len(events)
        assert conn.execute(text("SELECT count(*) FROM forecast")).scalar_one() == history


def test_one_does_alone_what_only_one_may_do_until_its_time_is_over(two: tuple[Database, Database]) -> None:
    one, other = two
    first, second = worker(one, "first"), worker(other, "second")
    assert first.leads("upkeep")
    assert not second.leads("upkeep")
    assert second.leads("another thing")
    with one.write() as conn:
        first.confirm(conn, "upkeep")
    time_passes(one)
    assert second.leads("upkeep")
    with pytest.raises(TakenOverError), one.write() as conn:
        first.confirm(conn, "upkeep")
    first.announce_s = 0.0  # it is long ago that it asked
    assert not first.leads("upkeep")
    second.leave()
    assert first.leads("upkeep")


def test_a_role_that_nobody_has_is_named(two: tuple[Database, Database]) -> None:
    one, _ = two
    shared = worker(one, "first")
    assert shared.missing() == "no process with the role ingest or notify has given a sign of life"
    everything = SharedWork(one, DaemonRole, "all")
    everything.announce()
    assert shared.missing() is None
    everything.leave()
    assert shared.missing() is not None


def test_three_of_each_role_share_the_work_while_some_are_killed_and_some_stand_still(tmp_path: Path) -> None:
    """What must hold is asserted in the run itself: readings once, roll-ups, alerts and their messages once."""
    done = team.share(tmp_path, 1, seed=3, each=200)
    assert (done.kills, done.pauses, done.messages) == (1, 1, 200)
    assert done.alerts >= 10
