"""Pauses of jobs on a real store: what is refused, what ends, what stays on record, and what is left alone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from alerts_support import T0, after, alert, empty, job

from monitord.alerts import pausing
from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.system.gateways import SeenProbe, fleet_findings
from monitord.alerts.system.system_alerts import watch_over
from monitord.errors import JobFileError, MonitordError
from monitord.model.alerts import SYSTEM, AlertStatus
from monitord.model.readings import Reading
from monitord.store import alerts as stored_alerts
from monitord.store import jobs as stored_jobs
from monitord.store import pauses, pending_jobs
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch


@pytest.fixture(scope="module")
def shared() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def db(shared: Database) -> Database:
    empty(shared)
    with shared.write() as conn:
        stored_jobs.apply_job(conn, job())
        stored_jobs.apply_job(conn, job("J2", end=after(-60)))
    return shared


def test_a_pause_ends_the_jobs_alerts_pending_ones_too_and_no_others(db: Database) -> None:
    pending = alert("mould", status=AlertStatus.PENDING, opened_at=None)
    with db.write() as conn:
        stored_alerts.save_alerts(conn, [alert(), pending, alert(job="J3")])
        pausing.pause(conn, "J1", None, "Anna", "the client decorates", after(5))
        mine = stored_alerts.current_alerts(conn, "J1")
        assert {(a.status, a.closing_reason) for a in mine} == {
            (AlertStatus.CLOSED, "the job was paused by Anna: the client decorates")
        }
        assert [a.job for a in stored_alerts.open_alerts(conn)] == ["J3"]
        told = [(event.event, event.at) for event in stored_alerts.events(conn, job="J1")]
        assert told == [("closed", after(5))], "the pending one never was news"


def test_a_pause_holds_from_its_start_up_to_its_end_and_stays_on_record(db: Database) -> None:
    with db.write() as conn:
        made = pausing.pause(conn, "J1", after(60), "Anna", "works", T0)
        assert pauses.pause_of(conn, "J1", T0) == made
        assert pauses.pause_of(conn, "J1", after(59.9)) == made
        assert pauses.pause_of(conn, "J1", after(60)) is None
        assert pauses.pause_of(conn, "J1", after(-0.1)) is None
        again = pausing.pause(conn, "J1", None, "Bo", "more works", after(70))
        assert pauses.pauses(conn, "J1") == [made, again]
        assert pauses.standing(conn, after(80)) == {"J1": again}


def test_resuming_says_who_did_and_asks_for_an_assessment(db: Database) -> None:
    with db.write() as conn:
        pausing.pause(conn, "J1", None, "Anna", "works", T0)
        for name, mark in pending_jobs.marked_jobs(conn):
            pending_jobs.clear_mark(conn, name, mark)
        pausing.resume(conn, "J1", "Bo", after(10))
        assert pauses.pause_of(conn, "J1", after(10)) is None
        assert [(p.end, p.ended_by) for p in pauses.pauses(conn, "J1")] == [(after(10), "Bo")]
        assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J1"]


@pytest.mark.parametrize(
    ("what", "problem"),
    [
        (("J9", None, "Anna", "works"), "there is no job 'J9'"),
        (("J2", None, "Anna", "works"), "job 'J2' is over"),
        (("J1", after(0), "Anna", "works"), "over already. Give a later end"),
        (("J1", None, "", "works"), "author"),
        (("J1", None, "Anna", ""), "comment"),
    ],
)
def test_a_pause_that_is_not_whole_is_refused_with_a_remedy(
    db: Database, what: tuple[str, None, str, str], problem: str
) -> None:
    with pytest.raises(MonitordError, match=problem), db.write() as conn:
        pausing.pause(conn, *what, T0)
    with db.read() as conn:
        assert pauses.standing(conn, T0) == {}


def test_a_job_is_paused_once_and_only_a_paused_one_is_resumed(db: Database) -> None:
    with pytest.raises(MonitordError, match="'J1' is not paused"), db.write() as conn:
        pausing.resume(conn, "J1", "Bo", T0)
    with pytest.raises(JobFileError, match="there is no job 'J9'"), db.write() as conn:
        pausing.resume(conn, "J9", "Bo", T0)
    with db.write() as conn:
        pausing.pause(conn, "J1", None, "Anna", "works", T0)
    with pytest.raises(MonitordError, match="paused by Anna: works, and still is"), db.write() as conn:
        pausing.pause(conn, "J1", None, "Bo", "others", after(1))


def test_a_silent_gateway_of_a_paused_job_is_not_told_and_its_probes_are_no_strays(db: Database) -> None:
    placements = [{"id": p, "location_id": "north", "from": after(-60 + n), "to": None} for n, p in enumerate(("p1",))]
    two = job(
        locations=[{"id": "north", "kind": "cavity"}, {"id": "south", "kind": "cavity"}],
        probes=[*placements, {"id": "p2", "location_id": "south", "from": after(-60)}],
    )
    heard = [SeenProbe("p1", T0, "g1"), SeenProbe("p2", T0, "g1")]
    assert [f.kind for f in fleet_findings(heard, [two], [], after(300))["J1"]] == ["gateway_silent"]
    found = fleet_findings(heard, [two], [], after(300), {"J1"})
    assert found == {SYSTEM: []}
    readings = [
        Reading(probe=p, time=T0, temperature_c=20, relative_humidity_pct=50, received_at=T0, gateway="g1")
        for p in ("p1", "p2")
    ]
    with db.write() as conn:
        stored_jobs.apply_job(conn, two)
        insert_batch(conn, readings)
        pausing.pause(conn, "J1", None, "Anna", "works", after(1))
        for name, mark in pending_jobs.marked_jobs(conn):
            pending_jobs.clear_mark(conn, name, mark)
    rules = default_rule_book()
    assert watch_over(db, rules, after(300), None).events == []
    with db.write() as conn:
        pausing.resume(conn, "J1", "Anna", after(301))
    assert [e.event for e in watch_over(db, rules, after(302), None).events] == ["opened"]
