"""From stored readings to alerts: marks, time, isolation of jobs, and agreement of daemon and replay.

Real SQL on a database in a temporary file; the clock is a twin that the test sets.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import monitord.pipeline
from monitord.alerts import pausing
from monitord.alerts.lifecycle import engine
from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.assess import assess_job
from monitord.errors import StoreError
from monitord.model.alerts import Alert, AlertStatus
from monitord.model.assessments import Forecast, JobAssessment
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind, Truth
from monitord.model.jobs import Goal, GoalMetric, JobFile
from monitord.model.readings import Reading
from monitord.model.series import JobRecord
from monitord.pipeline import AssessmentCaches, ReplaySession, assess_pending, mark_running
from monitord.store import alerts as stored_alerts
from monitord.store import jobs, pauses, pending_jobs
from monitord.store.assessments import latest_assessment, recent_forecasts
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch
from monitord.store.series.records import load_job_record

START = datetime(2025, 1, 10, tzinfo=UTC)
RULES, OPTIONS = default_rule_book(), AnalysisOptions()
STEP = timedelta(minutes=10)


class SetClock:
    """A clock that stands where the test puts it."""

    def __init__(self, time: datetime = START) -> None:
        self.time = time

    def now(self) -> datetime:
        return self.time

    def wait_s(self, duration_s: float) -> float:
        return duration_s


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/monitord.sqlite3")
    yield database
    database.close()


def house(job: str = "mill-3", prefix: str = "") -> JobFile:
    placements = [
        {"id": f"{prefix}{probe}", "location_id": location, "from": START, "interval_s": 600}
        for probe, location in (("a1", "room"), ("b1", "yard"))
    ]
    return JobFile.model_validate(
        {
            "job": job,
            "start": START,
            "locations": [
                {"id": "room", "kind": "room_air", "f_rsi": 0.6},
                {"id": "yard", "kind": "outdoor_air"},
            ],
            "probes": placements,
        }
    )


def reading(probe: str, time: datetime, temperature_c: float, humidity_pct: float) -> Reading:
    return Reading(
        probe=probe, time=time, temperature_c=temperature_c, relative_humidity_pct=humidity_pct, received_at=time
    )


def air(since: datetime, hours: float, humidity_pct: float, prefix: str = "") -> list[Reading]:
    """A room near 22 °C with that humidity, outdoors near -5 °C, each wandering a little, as real air does.

    At 70 % the surface, at 11.2 °C by its factor, lies below the dew point of 16.3 °C; at 35 % (5.9 °C) well above.
    """
    found = []
    for i in range(1, int(hours * 6) + 1):
        t = since + i * STEP
        sway = random.Random(t.timestamp()).uniform(-1.0, 1.0)
        found.append(reading(f"{prefix}a1", t, 22.0 + 0.1 * sway, humidity_pct + 0.4 * sway))
        found.append(reading(f"{prefix}b1", t, -5.0 + 0.2 * sway, 85.0 - 0.6 * sway))
    return found


def store(db: Database, readings: Sequence[Reading]) -> None:
    with db.write() as conn:
        insert_batch(conn, readings)


def live(db: Database, clock: SetClock, readings: Sequence[Reading]) -> None:
    """Readings arrive at their time, and each time is followed by a round of assessment."""
    for time in sorted({r.time for r in readings}):
        store(db, [r for r in readings if r.time == time])
        clock.time = time
        assert not assess_pending(db, clock, RULES, OPTIONS).failed


def status_of(db: Database, job: str = "mill-3") -> dict[tuple[str, str | None], AlertStatus]:
    with db.read() as conn:
        return {(a.kind, a.location): a.status for a in stored_alerts.current_alerts(conn, job)}


def apply(db: Database, job: JobFile) -> None:
    with db.write() as conn:
        jobs.apply_job(conn, job)


def test_condensation_opens_after_its_hold_time_and_closes_a_day_after_the_air_is_dry(db: Database) -> None:
    apply(db, house())
    clock = SetClock()
    live(db, clock, air(START, 6, 35.0))
    assert ("condensation", "room") not in status_of(db)
    wet_from = clock.time
    live(db, clock, air(wet_from, 0.5, 70.0))
    assert status_of(db)["condensation", "room"] is AlertStatus.PENDING
    live(db, clock, air(clock.time, 1, 70.0))
    assert status_of(db)["condensation", "room"] is AlertStatus.OPEN
    live(db, clock, air(clock.time, 12, 35.0))
    assert status_of(db)["condensation", "room"] is AlertStatus.OPEN
    live(db, clock, air(clock.time, 13, 35.0))
    assert status_of(db)["condensation", "room"] is AlertStatus.CLOSED
    with db.read() as conn:
        names = [e.event for e in stored_alerts.events(conn, job="mill-3") if e.event in ("opened", "closed")]
    assert names == ["opened", "closed"]


def test_silence_is_noticed_without_a_reading_and_ends_with_one(db: Database) -> None:
    apply(db, house())
    clock = SetClock()
    live(db, clock, air(START, 3, 40.0))
    silent_from = clock.time
    for minutes in range(10, 90, 10):
        clock.time = silent_from + timedelta(minutes=minutes)
        mark_running(db, clock)
        assess_pending(db, clock, RULES, OPTIONS)
    assert status_of(db)["probe_silent", "room"] is AlertStatus.OPEN
    live(db, clock, air(clock.time, 0.5, 40.0))
    assert status_of(db)["probe_silent", "room"] is AlertStatus.CLOSED


def test_a_round_takes_only_marked_jobs_and_clears_their_marks(db: Database) -> None:
    apply(db, house())
    apply(db, house("dock-1", prefix="d-"))
    clock = SetClock(START + timedelta(hours=1))
    assert assess_pending(db, clock, RULES, OPTIONS).assessed == ("dock-1", "mill-3")
    assert assess_pending(db, clock, RULES, OPTIONS).assessed == ()
    clock.time = START + timedelta(hours=3)
    store(db, air(START, 3, 40.0))
    assert assess_pending(db, clock, RULES, OPTIONS).assessed == ("mill-3",)
    with db.read() as conn:
        shown = latest_assessment(conn, "mill-3")
    assert shown is not None
    assert (shown.as_of, shown.last_reading_at) == (clock.time, START + timedelta(hours=3))


def test_a_reading_that_lands_during_the_assessment_leaves_the_job_marked(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    apply(db, house())
    clock = SetClock(START + timedelta(hours=1))
    honest = monitord.pipeline.assess_job

    def meanwhile(*arguments: object, **more: object) -> JobAssessment:
        store(db, air(START + timedelta(hours=1), 0.2, 40.0))
        return honest(*arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(monitord.pipeline, "assess_job", meanwhile)
    assess_pending(db, clock, RULES, OPTIONS)
    with db.read() as conn:
        assert [job for job, _ in pending_jobs.marked_jobs(conn)] == ["mill-3"]


def test_what_lands_during_a_long_round_counts_for_the_jobs_behind(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitord.pipeline._TOGETHER", 1)
    clock, late = SetClock(START + timedelta(hours=1)), START + timedelta(hours=1, minutes=8)
    for name, prefix in (("a", "x"), ("b", "y")):
        apply(db, house(name, prefix))
        store(db, air(START, 1, 35.0, prefix))

    def meanwhile() -> None:
        if clock.time < late:
            clock.time = late
            store(db, [reading("ya1", late, 21.0, 36.0)])

    assert assess_pending(db, clock, RULES, OPTIONS, moved=meanwhile).assessed == ("a", "b")
    with db.read() as conn:
        first, second = latest_assessment(conn, "a"), latest_assessment(conn, "b")
        assert pending_jobs.marked_jobs(conn) == []
    assert first is not None
    assert second is not None
    assert (first.as_of, second.as_of) == (START + timedelta(hours=1), late)
    assert second.last_reading_at == late


def test_an_acknowledgement_during_the_assessment_is_kept(db: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    apply(db, house())
    clock = SetClock()
    live(db, clock, air(START, 3, 70.0))
    honest = monitord.pipeline.assess_job

    def meanwhile(*arguments: object, **more: object) -> JobAssessment:
        with db.write() as conn:
            opened = next(a for a in stored_alerts.current_alerts(conn, "mill-3") if a.kind == "condensation")
            stored_alerts.save_alerts(conn, engine.acknowledge(opened, "Anna", "seen", clock.time).alerts)
        return honest(*arguments, **more)  # type: ignore[arg-type]

    store(db, air(clock.time, 0.5, 70.0))
    clock.time += timedelta(minutes=30)
    monkeypatch.setattr(monitord.pipeline, "assess_job", meanwhile)
    assess_pending(db, clock, RULES, OPTIONS)
    assert status_of(db)["condensation", "room"] is AlertStatus.ACKNOWLEDGED


def test_a_job_that_can_not_be_assessed_stays_marked_and_keeps_no_other_back(
    db: Database, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    apply(db, house())
    apply(db, house("dock-1", prefix="d-"))
    clock = SetClock(START + timedelta(hours=1))
    honest = monitord.pipeline.assess_job

    def one_fails(job: JobFile, *arguments: object, **more: object) -> JobAssessment:
        if job.job == "dock-1":
            raise ZeroDivisionError
        return honest(job, *arguments, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(monitord.pipeline, "assess_job", one_fails)
    due = assess_pending(db, clock, RULES, OPTIONS)
    assert (due.assessed, due.failed) == (("mill-3",), ("dock-1",))
    assert "job dock-1 could not be assessed" in caplog.text
    with db.read() as conn:
        assert [job for job, _ in pending_jobs.marked_jobs(conn)] == ["dock-1"]


def test_closing_a_job_ends_its_alerts_with_a_word_why(db: Database) -> None:
    apply(db, house())
    clock = SetClock()
    live(db, clock, air(START, 3, 70.0))
    assert status_of(db)["condensation", "room"] is AlertStatus.OPEN
    with db.write() as conn:
        jobs.close_job(conn, "mill-3", clock.time)
    clock.time += timedelta(minutes=1)
    assess_pending(db, clock, RULES, OPTIONS)
    with db.read() as conn:
        alert = next(a for a in stored_alerts.current_alerts(conn, "mill-3") if a.kind == "condensation")
    assert (alert.status, alert.closing_reason) == (AlertStatus.CLOSED, "the job was closed")
    mark_running(db, clock)
    assert assess_pending(db, clock, RULES, OPTIONS).assessed == ()


def test_a_paused_job_is_assessed_but_raises_nothing_until_it_is_resumed(db: Database) -> None:
    apply(db, house())
    clock = SetClock()
    live(db, clock, air(START, 3, 70.0))
    assert status_of(db)["condensation", "room"] is AlertStatus.OPEN
    with db.write() as conn:
        pausing.pause(conn, "mill-3", None, "Anna", "the client decorates", clock.time)
    live(db, clock, air(clock.time, 3, 70.0))
    with db.read() as conn:
        alerts = {a.kind: a for a in stored_alerts.current_alerts(conn, "mill-3")}
        assessed = latest_assessment(conn, "mill-3")
    assert assessed is not None
    assert assessed.as_of == clock.time, "it is assessed all the same"
    assert any(f.kind == "condensation" and (f.value or 0) > 0.6 for f in assessed.findings)
    reason = "the job was paused by Anna: the client decorates"
    assert (alerts["condensation"].status, alerts["condensation"].closing_reason) == (AlertStatus.CLOSED, reason)
    with db.write() as conn:
        pausing.resume(conn, "mill-3", "Bo", clock.time)
    live(db, clock, air(clock.time, 1, 70.0))
    with db.read() as conn:
        again = {a.kind: a for a in stored_alerts.current_alerts(conn, "mill-3")}["condensation"]
        (kept,) = pauses.pauses(conn, "mill-3")
    assert (again.status, again.episode) == (AlertStatus.OPEN, 2)
    assert (kept.author, kept.ended_by) == ("Anna", "Bo")


def test_what_holds_is_raised_at_the_next_assessment_after_a_pause_without_new_readings(db: Database) -> None:
    apply(db, house())
    clock = SetClock()
    live(db, clock, air(START, 3, 70.0))
    with db.write() as conn:
        pausing.pause(conn, "mill-3", None, "Anna", "the client decorates", clock.time)
    assert status_of(db)["condensation", "room"] is AlertStatus.CLOSED
    with db.write() as conn:
        pausing.resume(conn, "mill-3", "Bo", clock.time)
    assess_pending(db, clock, RULES, OPTIONS)
    assert status_of(db)["condensation", "room"] is AlertStatus.OPEN


def test_a_pause_that_comes_while_a_job_is_assessed_lets_nothing_open(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    apply(db, house())
    clock = SetClock()
    assess = monitord.pipeline.assess_job

    def assess_and_pause(*args: Any, **named: Any) -> JobAssessment:
        found = assess(*args, **named)
        clock.time += timedelta(seconds=1)
        with db.write() as conn:
            if pauses.pause_of(conn, "mill-3", clock.time) is None:
                pausing.pause(conn, "mill-3", None, "Anna", "the client decorates", clock.time)
        return found

    monkeypatch.setattr(monitord.pipeline, "assess_job", assess_and_pause)
    live(db, clock, air(START, 3, 70.0))
    with db.read() as conn:
        found = [alert for alert in stored_alerts.current_alerts(conn, "mill-3") if alert.opened_at is not None]
    assert found == []


def test_daemon_and_replay_say_the_same_of_the_same_readings(db: Database) -> None:
    job = house()
    apply(db, job)
    clock, session = SetClock(), ReplaySession(job, RULES, OPTIONS)
    readings = air(START, 3, 40.0) + air(START + timedelta(hours=3), 3, 70.0)
    replayed = {}
    for time in sorted({r.time for r in readings}):
        live(db, clock, [r for r in readings if r.time == time])
        with db.read() as conn:
            record = load_job_record(conn, job, time)
        assessment, changed = session.step(record, time)
        replayed.update((a.fingerprint, a) for a in changed)
        with db.read() as conn:
            lived = latest_assessment(conn, job.job)
        assert lived is not None
        assert lived.findings == assessment.findings
        assert [(p.state, p.facts, p.surface) for p in lived.locations] == [
            (p.state, p.facts, p.surface) for p in assessment.locations
        ]
    with db.read() as conn:
        assert {a.fingerprint: a for a in stored_alerts.current_alerts(conn, job.job)} == replayed
    assert AlertStatus.OPEN in {a.status for a in replayed.values()}


def test_after_a_restart_sleeves_are_caught_up_over_rounds_and_hold_no_alert_up(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten days of a sleeve, three of them a round: unknown until the last, then as if there had been no restart."""
    monkeypatch.setattr(monitord.pipeline, "_CATCH_UP_D", 3)
    slab = {"kind": "slab_sleeve", "depth_mm": 30, "slab_thickness_mm": 80, "drying_sides": 1, "sealed_at": START}
    goal = {"metric": "equilibrium_rh_pct", "limit": 80}
    job = JobFile.model_validate(
        {
            "job": "mill-3",
            "start": START,
            "locations": [
                {"id": "room", "kind": "room_air", "f_rsi": 0.6},
                {"id": "yard", "kind": "outdoor_air"},
                {"id": "sleeve", "reference": "room", "goal": goal, **slab},
            ],
            "probes": [
                {"id": probe, "location_id": location, "from": START, "interval_s": 3600}
                for probe, location in (("a1", "room"), ("b1", "yard"), ("s1", "sleeve"))
            ],
        }
    )
    apply(db, job)
    hours = [START + timedelta(hours=k) for k in range(1, 240)]
    store(db, [r for r in air(START, 239, 70.0) if r.time in hours])
    store(db, [reading("s1", t, 20.0, 92.0 - 0.1 * k / 24.0) for k, t in enumerate(hours)])
    clock, caches, rounds = SetClock(hours[-1]), AssessmentCaches(), 0
    while True:
        (done,) = assess_pending(db, clock, RULES, OPTIONS, caches).assessed or ("",)
        if not done:
            break
        rounds += 1
        with db.read() as conn:
            shown = latest_assessment(conn, "mill-3")
            record = load_job_record(conn, job, clock.time)
        assert shown is not None
        # what has nothing to do with sleeves is told from the first round on
        assert next(f for f in shown.findings if f.kind is FindingKind.CONDENSATION).value == pytest.approx(1.0)
        found = {f.kind: f.truth for f in shown.findings if f.location == "sleeve"}
        if found[FindingKind.GOAL_REACHED] is not Truth.UNKNOWN:
            break
        location = shown.at("sleeve")
        assert location is not None
        assert location.facts.being_computed
    assert rounds == 3
    assert assess_pending(db, clock, RULES, OPTIONS, caches).assessed == ()
    whole = assess_job(job, record, clock.time, OPTIONS)
    assert shown.at("sleeve") == whole.at("sleeve")
    assert shown.findings == whole.findings
    # what was stored of the ensemble spares the next start the rounds, and changes nothing
    mark_running(db, clock)
    assert assess_pending(db, clock, RULES, OPTIONS, AssessmentCaches()).assessed == ("mill-3",)
    with db.read() as conn:
        again = latest_assessment(conn, "mill-3")
    assert again == shown


def damp_house(limit_pa: float = 120.0, offset_pct: float | None = None) -> JobFile:
    """The house with a cavity, with its goal, perhaps calibrated meanwhile."""
    job = house().model_dump(mode="json", by_alias=True, exclude_none=True)
    goal = {"metric": "vp_excess_pa", "limit": limit_pa}
    job["locations"].append({"id": "wall", "kind": "cavity", "reference": "room", "f_rsi": 0.4, "goal": goal})
    job["probes"].append({"id": "c1", "location_id": "wall", "from": START.isoformat(), "interval_s": 600})
    if offset_pct is not None:
        day = START + timedelta(days=1)
        job["calibrations"] = [{"probe": "c1", "at": day.isoformat(), "relative_humidity_correction_pct": offset_pct}]
    return JobFile.model_validate(job)


@pytest.mark.parametrize(("seed", "memory_mb"), [(1, 1024), (3, 0)])
def test_what_is_kept_between_rounds_changes_no_verdict(
    db: Database, seed: int, memory_mb: int, caplog: pytest.LogCaptureFixture
) -> None:
    """Readings in any order of arrival, backlogs, a job file that changes, a calibration: as if judged from scratch."""
    chance, caches = random.Random(seed), AssessmentCaches(memory_mb)
    measured = air(START, 60, 45.0)
    measured += [reading("c1", r.time, 14.0, 88.0 - i / 40) for i, r in enumerate(measured[::2])]
    arriving = []
    for r in measured:
        late_h = chance.choice((0.0,) * 9 + (chance.uniform(0.0, 30.0),))
        arriving.append(r.model_copy(update={"received_at": r.time + timedelta(seconds=4, hours=late_h)}))
    chance.shuffle(arriving)
    clock, files = SetClock(), [damp_house(), damp_house(300.0), damp_house(300.0, 4.0)]
    for turn in range(12):
        if turn % 4 == 0:
            apply(db, files[turn // 4])
        since, clock.time = clock.time, clock.time + timedelta(hours=chance.choice((0.2, 1.0, 2.5, 6.0)))
        store(db, [r for r in arriving if since < r.received_at <= clock.time])
        mark_running(db, clock)
        assert not assess_pending(db, clock, RULES, OPTIONS, caches).failed
        with db.read() as conn:
            shown, record = latest_assessment(conn, "mill-3"), load_job_record(conn, files[turn // 4], clock.time)
        scratch = assess_job(files[turn // 4], record, clock.time, OPTIONS)
        assert shown is not None
        assert shown.model_dump_json() == scratch.model_dump_json()
    assert (caches.nbytes > 0) == (memory_mb > 0)
    assert (caches.with_room, caches.without_room) == ((1, 0) if memory_mb else (0, 1))
    assert caplog.text.count("write some 3, if the machine has that much") == (0 if memory_mb else 1)


def slips(as_of: datetime) -> Forecast:
    """What is forecast in each six hours: from the second week on the date moves away as fast as time passes."""
    made = datetime.fromtimestamp(as_of.timestamp() // 21_600 * 21_600, UTC)
    middle = START + timedelta(days=30) + max(timedelta(0), made - START - timedelta(days=7))
    uncertainty = timedelta(days=1)
    return Forecast(
        made_at=made,
        low=middle - uncertainty,
        middle=middle,
        high=middle + uncertainty,
        never=False,
        high_never=False,
    )


@pytest.mark.parametrize("restarts", [False, True])
def test_a_slipping_date_is_told_alike_by_the_daemon_by_replay_and_after_restarts(
    db: Database, monkeypatch: pytest.MonkeyPatch, restarts: bool
) -> None:
    """Only the forecasts are made up; a restart is a round that has nothing but the store."""

    def assess(job: JobFile, record: JobRecord, as_of: datetime, *more: Any, **named: Any) -> JobAssessment:
        real = assess_job(job, record, as_of, *more, **named)
        location = real.locations[0].model_copy(update={"forecast": slips(as_of)})
        return real.model_copy(update={"locations": (location, *real.locations[1:]), "findings": ()})

    monkeypatch.setattr(monitord.pipeline, "assess_job", assess)
    job = house()
    goal = Goal(metric=GoalMetric.RH, limit=50)
    job = job.model_copy(update={"locations": (job.locations[0].model_copy(update={"goal": goal}), job.locations[1])})
    apply(db, job)
    clock, session, caches = SetClock(), ReplaySession(job, RULES, OPTIONS), AssessmentCaches()
    replayed: dict[str, Alert] = {}
    for hours in range(0, 24 * 24, 3):
        clock.time = START + timedelta(hours=hours, minutes=7)
        mark_running(db, clock)
        assert not assess_pending(db, clock, RULES, OPTIONS, AssessmentCaches() if restarts else caches).failed
        with db.read() as conn:
            record = load_job_record(conn, job, clock.time)
        replayed.update((a.fingerprint, a) for a in session.step(record, clock.time)[1])
    with db.read() as conn:
        lived = {a.fingerprint: a for a in stored_alerts.current_alerts(conn, job.job)}
        history = recent_forecasts(conn, job.job, job.start)["room"]
    assert lived == replayed
    (alert,) = (a for a in lived.values() if a.kind == "forecast_slipping")
    assert alert.status is AlertStatus.OPEN
    assert len(history) == 24 * 4


def test_forecasts_of_a_round_that_could_not_be_kept_are_kept_by_the_next(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def assess(job: JobFile, record: JobRecord, as_of: datetime, *more: Any, **named: Any) -> JobAssessment:
        real = assess_job(job, record, as_of, *more, **named)
        location = real.locations[0].model_copy(update={"forecast": slips(as_of)})
        return real.model_copy(update={"locations": (location, *real.locations[1:])})

    def full(*_: object) -> None:
        raise StoreError("the database refused")

    monkeypatch.setattr(monitord.pipeline, "assess_job", assess)
    apply(db, house())
    clock, caches = SetClock(START + timedelta(hours=1)), AssessmentCaches()
    with monkeypatch.context() as patch:
        patch.setattr(monitord.pipeline.assessments, "save_assessment", full)
        assert assess_pending(db, clock, RULES, OPTIONS, caches).failed == ("mill-3",)
    assert assess_pending(db, clock, RULES, OPTIONS, caches).assessed == ("mill-3",)
    with db.read() as conn:
        assert len(recent_forecasts(conn, "mill-3", datetime(2000, 1, 1, tzinfo=UTC))["room"]) == 1


def test_the_order_of_arrival_changes_no_verdict(tmp_path: Path) -> None:
    readings, verdicts = air(START, 8, 60.0), []
    until = START + timedelta(hours=9)
    for seed in range(4):
        database = Database.open(f"sqlite:///{tmp_path}/{seed}.sqlite3")
        apply(database, house())
        shuffled = [*readings, *readings[5:15]]
        random.Random(seed).shuffle(shuffled)
        for start in range(0, len(shuffled), 7):
            store(database, shuffled[start : start + 7])
        assess_pending(database, SetClock(until), RULES, OPTIONS)
        with database.read() as conn:
            verdicts.append(latest_assessment(conn, "mill-3"))
        database.close()
    assert verdicts[0] is not None
    assert verdicts[0].last_reading_at == START + timedelta(hours=8)
    assert all(verdict == verdicts[0] for verdict in verdicts)
