"""What the store promises about jobs, marks, quarantine, assessments and forecasts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, select, update

from monitord.errors import JobFileError, StoreError
from monitord.model.assessments import Forecast, JobAssessment, SleeveCheckpoint
from monitord.model.jobs import Calibration, JobFile, Location, LocationKind, Placement
from monitord.model.site.equipment import Equipment, Water
from monitord.store import assessments, jobs, pending_jobs, quarantine
from monitord.store.db.database import Database
from monitord.store.db.tables import assessment as assessment_table
from monitord.store.db.tables import job as job_table
from monitord.store.db.tables import placement as placement_table
from monitord.store.db.tables import quarantine as quarantine_table

T0 = datetime(2025, 3, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def db() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def conn(db: Database) -> Iterator[Connection]:
    with db.write() as connection:
        yield connection


def placement(probe: str, begins: float = 0, ends: float | None = None, location: str = "void") -> Placement:
    """From and to in days after T0."""
    to = None if ends is None else T0 + ends * DAY
    return Placement(probe=probe, location_id=location, from_time=T0 + begins * DAY, to_time=to)


def a_job(name: str = "J1", *placements: Placement, **change: Any) -> JobFile:
    void = Location(id="void", kind=LocationKind.SUBFLOOR_VOID, name="Hohlraum Süd")
    room = Location(id="room", kind=LocationKind.ROOM_AIR)
    return JobFile(job=name, start=T0, locations=(void, room), probes=placements, **change)


# --- applying -----------------------------------------------------------------------------------------------


def test_applying_says_created_changed_or_unchanged(conn: Connection) -> None:
    first = a_job("J1", placement("p1"))
    assert jobs.apply_job(conn, first) == "created"
    assert jobs.apply_job(conn, first) == "unchanged"
    assert jobs.apply_job(conn, a_job("J1", placement("p1"), placement("p2"))) == "changed"
    assert jobs.apply_job(conn, a_job("J2", placement("p3"))) == "created"


def test_a_job_comes_back_as_it_was_applied(conn: Connection) -> None:
    calibration = Calibration(probe="p1", at=T0, relative_humidity_correction_pct=-1.3, method="salt", by="Åsa")
    job = a_job("J1", placement("p1", ends=2), placement("p1", 3), calibrations=(calibration,), elevation_m=412.0)
    jobs.apply_job(conn, job)
    assert jobs.get_job(conn, "J1") == job
    assert jobs.get_job(conn, "J9") is None


def test_a_default_that_is_written_out_is_no_change(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    assert jobs.apply_job(conn, a_job("J1", timezone="UTC", elevation_m=0.0)) == "unchanged"


def test_a_job_stored_before_a_key_existed_is_the_same_job(conn: Connection) -> None:
    job = a_job("J1", placement("p1"))
    jobs.apply_job(conn, job)
    document = json.loads(jobs.canonical(job))
    del document["calibrations"], document["elevation_m"]
    conn.execute(update(job_table).values(document=json.dumps(document)))
    assert jobs.apply_job(conn, job) == "unchanged"


def test_equal_jobs_have_one_text(conn: Connection) -> None:
    one = JobFile.model_validate_json('{"job": "J1", "start": "2025-03-01T12:00:00Z", "name": "Süd"}')
    other = JobFile.model_validate_json('{"name": "Süd", "start": "2025-03-01T13:00:00+01:00", "job": "J1"}')
    assert jobs.canonical(one) == jobs.canonical(other)
    assert "Süd" in jobs.canonical(one)


def test_the_index_of_placements_follows_the_job(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1", placement("p1"), placement("p2"), placement("p3")))
    jobs.apply_job(conn, a_job("J1", placement("p2", ends=1.5), placement("p2", 1.5, location="room")))
    rows = conn.execute(select(placement_table.c.position, placement_table.c.probe)).all()
    assert [tuple(row) for row in rows] == [(0, "p2"), (1, "p2")]


def test_all_jobs_are_listed_by_id(conn: Connection) -> None:
    for name in ("b", "a", "c"):
        jobs.apply_job(conn, a_job(name))
    assert [job.job for job in jobs.list_jobs(conn)] == ["a", "b", "c"]


def test_applying_marks_the_job_unless_nothing_changed(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    ((_, mark),) = pending_jobs.marked_jobs(conn)
    pending_jobs.clear_mark(conn, "J1", mark)
    jobs.apply_job(conn, a_job("J1"))
    assert pending_jobs.marked_jobs(conn) == []
    jobs.apply_job(conn, a_job("J1", placement("p1")))
    assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J1"]


def test_a_stored_job_that_no_longer_fits_is_told_with_a_remedy(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    conn.execute(update(job_table).values(document='{"job": "J1", "start": "2025-03-01T12:00:00Z", "old_key": 1}'))
    with pytest.raises(StoreError, match=r"job J1.*old_key.*apply it again"):
        jobs.get_job(conn, "J1")


# --- a probe is in one place at a time ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("theirs", "ours", "refused"),
    [
        pytest.param((0, None), (1, None), True, id="both go on"),
        pytest.param((0, None), (-2, 0), False, id="ours ends as theirs begins"),
        pytest.param((0, None), (-2, 0.1), True, id="ours ends after theirs begins"),
        pytest.param((0, 2), (2, None), False, id="ours begins as theirs ends"),
        pytest.param((0, 2), (1.9, None), True, id="ours begins before theirs ends"),
        pytest.param((0, 2), (0.5, 1), True, id="ours inside theirs"),
        pytest.param((1, 2), (0, 3), True, id="theirs inside ours"),
    ],
)
def test_a_probe_in_two_jobs_at_the_same_time_is_refused(
    db: Database, theirs: tuple[float, float | None], ours: tuple[float, float | None], refused: bool
) -> None:
    with db.write() as conn:
        jobs.apply_job(conn, a_job("theirs", placement("p1", *theirs)))
    new = a_job("ours", placement("p2"), placement("p1", *ours))
    if not refused:
        with db.write() as conn:
            assert jobs.apply_job(conn, new) == "created"
        return
    with pytest.raises(JobFileError) as refusal, db.write() as conn:
        jobs.apply_job(conn, new)
    assert "job ours, probes[1]" in refusal.value.message
    assert "placed in job 'theirs' (at 'void', from 2025-03-" in refusal.value.message
    assert "close job 'theirs'" in refusal.value.message
    with db.read() as conn:
        assert jobs.get_job(conn, "ours") is None, "nothing half applied"


def test_a_stay_may_change_within_its_own_job(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1", placement("p1", 0)))
    assert jobs.apply_job(conn, a_job("J1", placement("p1", 1, location="room"))) == "changed"


# --- closing ------------------------------------------------------------------------------------------------


def test_closing_ends_the_job_and_its_stays_and_frees_its_probes(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1", placement("p1"), placement("p2", 0, 1), placement("p3", 0, 30)))
    closed = jobs.close_job(conn, "J1", T0 + 10 * DAY)
    assert closed == jobs.get_job(conn, "J1")
    assert closed.end == T0 + 10 * DAY
    assert [p.to_time for p in closed.probes] == [T0 + 10 * DAY, T0 + DAY, T0 + 10 * DAY]
    assert jobs.apply_job(conn, a_job("J2", placement("p1", 10))) == "created"


def test_closing_twice_keeps_the_first_end(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1", placement("p1")))
    first = jobs.close_job(conn, "J1", T0 + DAY)
    assert jobs.close_job(conn, "J1", T0 + 2 * DAY) == first


@pytest.mark.parametrize(
    ("name", "days", "words"),
    [
        pytest.param("J9", 1, "there is no job 'J9'", id="unknown"),
        pytest.param("J1", 0, "it begins only then or later", id="before it began"),
        pytest.param("J1", 2, "the placement of probe 'p2' begins only then or later", id="before a placement begins"),
    ],
)
def test_what_cannot_be_closed_is_said(conn: Connection, name: str, days: float, words: str) -> None:
    jobs.apply_job(conn, a_job("J1"))
    if days:
        jobs.apply_job(conn, a_job("J1", placement("p2", 5)))
    with pytest.raises(JobFileError, match=words):
        jobs.close_job(conn, name, T0 + days * DAY)


# --- marks --------------------------------------------------------------------------------------------------


def test_a_mark_is_cleared_only_up_to_what_was_seen(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    ((_, seen),) = pending_jobs.marked_jobs(conn)
    pending_jobs.mark_job(conn, "J1")
    pending_jobs.clear_mark(conn, "J1", seen)
    assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J1"], "something came while the job was assessed"
    ((_, seen),) = pending_jobs.marked_jobs(conn)
    pending_jobs.clear_mark(conn, "J1", seen)
    assert pending_jobs.marked_jobs(conn) == []


def test_an_old_clearing_does_not_clear_a_later_mark(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    ((_, first),) = pending_jobs.marked_jobs(conn)
    pending_jobs.clear_mark(conn, "J1", first)
    pending_jobs.mark_job(conn, "J1")
    pending_jobs.clear_mark(conn, "J1", first)
    ((_, second),) = pending_jobs.marked_jobs(conn)
    assert second > first


def test_marking_a_job_that_does_not_exist_is_an_error(db: Database) -> None:
    with pytest.raises(StoreError, match=r"(?i)foreign key"), db.write() as conn:
        pending_jobs.mark_job(conn, "J9")


# --- quarantine ---------------------------------------------------------------------------------------------


def put(conn: Connection, payload: bytes = b"{", minutes: float = 0, topic: str = "t/1", code: str = "json") -> None:
    quarantine.put(conn, topic, payload, T0 + timedelta(minutes=minutes), code, f"not JSON: {payload!r}")


def test_quarantine_keeps_topic_payload_time_and_reason(conn: Connection) -> None:
    put(conn, b"\x00\xff{")
    (held,) = quarantine.list_held(conn)
    assert (held.topic, held.payload, held.received_at) == ("t/1", b"\x00\xff{", T0)
    assert (held.code, held.reason, held.released_at) == ("json", "not JSON: b'\\x00\\xff{'", None)


def test_the_same_payload_again_is_counted(conn: Connection) -> None:
    for minutes in (0, 10, 20):
        put(conn, minutes=minutes)
    put(conn, topic="t/2")
    put(conn, code="range")
    held = {(item.topic, item.code): item for item in quarantine.list_held(conn)}
    assert {key: item.times for key, item in held.items()} == {
        ("t/1", "json"): 3,
        ("t/2", "json"): 1,
        ("t/1", "range"): 1,
    }
    first = held["t/1", "json"]
    assert (first.received_at, first.last_received_at) == (T0, T0 + timedelta(minutes=20))
    assert quarantine.count_held(conn) == {"json": 4, "range": 1}


def test_held_payloads_are_listed_latest_first_by_code_and_up_to_a_number(conn: Connection) -> None:
    for minutes in (0, 20, 10):
        put(conn, str(minutes).encode(), minutes, code="range" if minutes == 10 else "json")
    assert [item.payload for item in quarantine.list_held(conn)] == [b"20", b"10", b"0"]
    assert [item.payload for item in quarantine.list_held(conn, code="json")] == [b"20", b"0"]
    assert [item.payload for item in quarantine.list_held(conn, limit=1)] == [b"20"]


def test_what_is_released_is_held_no_longer_but_kept(conn: Connection) -> None:
    put(conn)
    (held,) = quarantine.list_held(conn)
    quarantine.mark_released(conn, held.id, T0 + DAY)
    assert quarantine.list_held(conn) == []
    assert quarantine.count_held(conn) == {}
    assert conn.execute(select(quarantine_table.c.released_ms)).scalar_one() == (T0 + DAY).timestamp() * 1000


def test_what_comes_again_after_its_release_is_held_again(conn: Connection) -> None:
    put(conn)
    quarantine.mark_released(conn, quarantine.list_held(conn)[0].id, T0 + DAY)
    put(conn, minutes=60)
    assert [item.times for item in quarantine.list_held(conn)] == [2]


# --- assessments and forecasts ------------------------------------------------------------------------------


def assessed(days: float, job: str = "J1") -> JobAssessment:
    return JobAssessment(job=job, as_of=T0 + days * DAY, last_reading_at=None, locations=(), findings=())


def forecast(made: float, middle: float | None) -> Forecast:
    date = None if middle is None else T0 + middle * DAY
    return Forecast(
        made_at=T0 + made * DAY,
        low=date,
        middle=date,
        high=None,
        never=middle is None,
        high_never=True,
    )


def test_the_latest_assessment_is_kept_whatever_the_order_of_saving(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    assert assessments.latest_assessment(conn, "J1") is None
    for days in (1, 3, 2):
        assessments.save_assessment(conn, assessed(days))
    assert assessments.latest_assessment(conn, "J1") == assessed(3)


def test_an_assessment_of_another_version_is_taken_as_not_there(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    assessments.save_assessment(conn, assessed(1))
    conn.execute(update(assessment_table).values(document='{"job": "J1", "verdict": "dry"}'))
    assert assessments.latest_assessment(conn, "J1") is None


def test_the_history_of_forecasts_is_kept_oldest_first(conn: Connection) -> None:
    jobs.apply_job(conn, a_job("J1"))
    for made, middle in ((2, 20), (1, 15), (3, None), (2, 21)):
        assessments.add_forecasts(conn, "J1", "void", forecast(made, middle))
    assessments.add_forecasts(conn, "J1", "room", forecast(9, 9))
    history = assessments.recent_forecasts(conn, "J1", T0)["void"]
    assert history == [forecast(1, 15), forecast(2, 21), forecast(3, None)], "one made again replaces the first"


def test_an_assessment_of_a_job_that_does_not_exist_is_an_error(db: Database) -> None:
    with pytest.raises(StoreError, match=r"(?i)foreign key"), db.write() as conn:
        assessments.save_assessment(conn, assessed(1, "J9"))


def test_applying_a_file_keeps_the_equipment_that_was_recorded_on_site(conn: Connection) -> None:
    room = Location(id="room", kind=LocationKind.ROOM_AIR)
    old = JobFile(job="E", start=T0, locations=(room,))
    machine = Equipment.model_validate({"id": "d1", "kind": "dehumidifier", "location_id": "room", "from": T0})
    emptied = Water(at=T0 + timedelta(days=1), litres=9.0)
    on_site = machine.model_copy(update={"water": (emptied,), "to_time": T0 + timedelta(days=3)})
    jobs.apply_job(conn, old.model_copy(update={"equipment": (on_site,)}))
    assert jobs.with_site_records(conn, old).equipment == (on_site,), "the file says nothing of it"
    in_both = old.model_copy(update={"equipment": (machine,)})
    assert jobs.with_site_records(conn, in_both).equipment == (on_site,), "emptied and taken out since"
    earlier = machine.model_copy(update={"from_time": T0 - timedelta(days=1)})
    corrected = old.model_copy(update={"equipment": (earlier,)})
    assert jobs.with_site_records(conn, corrected).equipment == (earlier,), "the file's own time counts"
    gone = old.model_copy(update={"locations": (room.model_copy(update={"id": "other"}),)})
    assert jobs.with_site_records(conn, gone).equipment == ()


def test_of_a_sleeves_checkpoints_the_newest_two_stay_and_none_of_later_days(conn: Connection) -> None:
    def put(day: int, location: str = "void") -> None:
        made = SleeveCheckpoint(86_400.0 * day, f"digest {day}", bytes([day, 0, 255]))
        assessments.keep_checkpoint(conn, "J1", location, made)

    def days(location: str = "void") -> list[float]:
        return sorted(one.end_s / 86_400.0 for one in assessments.checkpoints(conn, "J1").get(location, []))

    jobs.apply_job(conn, a_job())
    assert days() == []
    for day in (3, 5, 9):
        put(day)
    put(4, "room")
    assert (days(), days("room")) == ([5, 9], [4])
    put(7)  # a late reading had thrown the run back
    assert days() == [5, 7]
    put(7)
    assert days() == [5, 7]
    newest = max(assessments.checkpoints(conn, "J1")["void"])
    assert newest == SleeveCheckpoint(7 * 86_400.0, "digest 7", b"\x07\x00\xff")
    assessments.forget_checkpoints(conn, "J1")
    assert (days(), days("room")) == ([], [])
    put(3)
    jobs.delete_job(conn, "J1")
    assert days() == []
