"""PostgreSQL by URL alone: migrations both ways, one daemon, the record of changes, the daemon, and moving there."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from brokers import publish, wait_until
from postgres import Postgres
from sqlalchemy import inspect, text
from test_store_migrations import fill

import monitord.store.maintenance.moving
from monitord.cli import main
from monitord.daemon.wiring import Daemon
from monitord.errors import ConfigurationError, StoreError
from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.model.access import Role, Scope
from monitord.model.config.settings import Settings
from monitord.model.readings import Reading
from monitord.store import jobs, mirror, notes, quarantine
from monitord.store.access import audit, people, sessions, tokens
from monitord.store.assessments import latest_assessment
from monitord.store.db import schema
from monitord.store.db.database import Database
from monitord.store.db.tables import metadata
from monitord.store.db.times import to_ms
from monitord.store.maintenance import partitions
from monitord.store.maintenance.moving import move_store
from monitord.store.maintenance.one_daemon import ServerLock, lock_of
from monitord.store.maintenance.quarantine_limits import trim
from monitord.store.series.readings import insert_batch, load_job_record

T0 = datetime(2025, 3, 1, tzinfo=UTC)


@pytest.fixture
def url(postgres: Postgres, migrated: str) -> str:
    """Of a database of the newest schema, emptied."""
    postgres.empty("work")
    return migrated


@pytest.fixture
def db(url: str) -> Iterator[Database]:
    database = Database.open(url)
    yield database
    database.close()


def reading(minutes: float, probe: str = "p1") -> Reading:
    at = T0 + timedelta(minutes=minutes)
    return Reading(probe=probe, time=at, temperature_c=15.0, relative_humidity_pct=80.25, received_at=at)


def test_the_newest_schema_is_what_the_tables_say(db: Database) -> None:
    with db.read() as conn:
        context = MigrationContext.configure(conn, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
        assert schema.current_revision(conn) == schema.known_revisions()[-1]


def test_migrations_go_both_ways_with_data_and_the_verdicts_stay(db: Database) -> None:
    fill(db)
    with db.read() as conn:
        job = jobs.needed_job(conn, "J1")
        before = load_job_record(conn, job, T0 + timedelta(days=1))
    with db.write() as conn:
        for revision in schema.known_revisions()[-2:1:-1]:
            schema.downgrade(conn, revision)
        schema.upgrade(conn)
    with db.read() as conn:
        after = load_job_record(conn, jobs.needed_job(conn, "J1"), T0 + timedelta(days=1))
    assert before.placements[0].hourly.temperature_c.tolist() == after.placements[0].hourly.temperature_c.tolist()
    assert before.placements[0].recent.time_s.tolist() == after.placements[0].recent.time_s.tolist()
    with db.write() as conn:
        schema.downgrade(conn, "base")
        assert set(inspect(conn).get_table_names()) == {"alembic_version"}
        schema.upgrade(conn)


def test_the_short_form_of_the_url_will_do(url: str) -> None:
    database = Database.open(url.replace("postgresql+psycopg", "postgresql"))
    assert database.url.startswith("postgresql+psycopg://")
    database.close()


def test_a_database_of_another_kind_is_refused_with_the_two_that_are_known() -> None:
    with pytest.raises(ConfigurationError, match=r"postgresql://user@host/monitord"):
        Database.open("mysql://here/there")


def test_a_server_that_is_not_there_and_a_database_that_is_not_are_told_with_a_remedy(postgres: Postgres) -> None:
    gone = f"postgresql://monitord@127.0.0.1:{postgres.port}/none"
    with pytest.raises(StoreError, match="createdb"):
        Database.open(gone)
    with pytest.raises(StoreError, match="does not answer"):
        lock_of("postgresql://monitord@127.0.0.1:1/none").take()


def test_a_reader_writes_nothing_and_sees_one_state_throughout(db: Database) -> None:
    with db.write() as conn:
        insert_batch(conn, [reading(0)])
    count = text("SELECT count(*) FROM reading")
    with db.read() as reader:
        assert reader.execute(count).scalar_one() == 1
        with db.write() as conn:
            insert_batch(conn, [reading(10)])
        assert reader.execute(count).scalar_one() == 1
    with db.read() as reader:
        assert reader.execute(count).scalar_one() == 2
    with pytest.raises(StoreError, match="read-only transaction"), db.read() as reader:
        reader.execute(text("DELETE FROM reading"))


@pytest.mark.parametrize("change", ["UPDATE audit SET who = 'me'", "DELETE FROM audit"])
def test_the_record_of_changes_is_append_only(db: Database, change: str) -> None:
    with db.write() as conn:
        audit.record(conn, T0, "anna", "signed in")
    with pytest.raises(StoreError, match="append-only"), db.write() as conn:
        conn.execute(text(change))
    with db.read() as conn:
        assert conn.execute(text("SELECT who FROM audit")).scalars().all() == ["anna"]


def test_only_one_daemon_works_with_a_database_and_each_database_has_its_own_lock(postgres: Postgres, url: str) -> None:
    other = postgres.create("another one")
    with lock_of(url) as first, lock_of(other):
        with pytest.raises(StoreError, match=r"another monitord \(monitord \d+ at 127\.0\.0\.1\)"):
            lock_of(url).take()
        first.release()
        with lock_of(url):
            pass


def test_a_lock_that_the_server_forgot_is_taken_again_unless_another_has_it(url: str, postgres: Postgres) -> None:
    cut = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name LIKE 'monitord %'"
    lock = ServerLock(url)
    lock.take()
    postgres.run("postgres", cut)
    lock.keep()
    assert lock.lost is None
    with pytest.raises(StoreError, match="another monitord"):
        ServerLock(url).take()
    postgres.run("postgres", cut)
    thief = ServerLock(url)
    thief.take()
    with pytest.raises(StoreError, match="another monitord"):
        lock.keep()
    assert lock.lost is not None
    thief.release()
    lock.release()


def test_two_that_insert_the_same_readings_at_once_keep_each_once(db: Database, url: str) -> None:
    second = Database.open(url)
    batch = [reading(10 * k) for k in range(50)]

    def insert(into: Database) -> None:
        with into.write() as conn:
            insert_batch(conn, batch)

    threads = [threading.Thread(target=insert, args=(each,)) for each in (db, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    second.close()
    with db.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == 50


def test_a_store_moves_there_and_back_and_is_proved_the_same(
    url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [f"sqlite:///{tmp_path}/{name}.sqlite3" for name in ("old", "back")]
    old = Database.open(files[0])
    fill(old)
    with old.write() as conn:
        people.add_person(conn, "anna", "Anna", Role.OWNER, None, T0)
        audit.record(conn, T0, "anna", "signed in")
        quarantine.put(conn, "a/b", b"\x00\xff?", T0, "not_json", "no JSON ±")
    old.close()
    told = []
    for source, target in ((files[0], url), (url, files[1])):
        assert main(["store", "move", source, target]) == 0
        told.append(capsys.readouterr().out.splitlines())
    assert told[0][:-1] == told[1][:-1]
    assert any(line.startswith("reading: 30 rows, ") for line in told[0])
    assert "are the same on both sides; set `database.url` to postgresql+psycopg://" in told[0][-1]
    with (database := Database.open(url)).write() as conn:  # numbering goes on after what came with its numbers
        quarantine.put(conn, "a/c", b"?", T0, "not_json", "no JSON")
        audit.record(conn, T0, "anna", "signed out")
        assert conn.execute(text("SELECT count(*) FROM quarantine")).scalar_one() == 3
    database.close()
    assert main(["store", "move", files[0], files[1]]) == 1
    assert "the database is not empty" in capsys.readouterr().err


def test_a_move_that_does_not_arrive_whole_leaves_the_target_empty(
    db: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = Database.open(f"sqlite:///{tmp_path}/old.sqlite3")
    fill(old)
    rows = monitord.store.maintenance.moving._rows

    def short(conn: object, table: object) -> Iterator[tuple[object, ...]]:
        found = list(rows(conn, table))  # type: ignore[arg-type]
        return iter(found[:-1] if table.name == "reading" else found)  # type: ignore[attr-defined]

    monkeypatch.setattr(monitord.store.maintenance.moving, "_rows", short)
    with pytest.raises(StoreError, match="table reading is not the same there: 30 rows went, 29 came"):
        move_store(old, db)
    old.close()
    with db.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM job")).scalar_one() == 0


def test_the_daemon_works_with_it_from_the_broker_to_the_assessment_and_holds_its_lock(
    url: str, embedded_broker: EmbeddedBroker, db: Database
) -> None:
    now = datetime.now(UTC)
    given = {
        "database": {"url": url},
        "broker": {"port": embedded_broker.port, "protocol": "3.1.1"},
        "web": {"port": 0},
        "assess": {"interval_s": 0.5},
    }
    fill(db)
    with db.write() as conn:
        job = jobs.needed_job(conn, "J1")
    daemon = Daemon(Settings.model_validate(given))
    daemon.start()
    try:
        with pytest.raises(StoreError, match="another monitord"):
            lock_of(url).take()
        payload = f'{{"time": "{now:%Y-%m-%dT%H:%M:%SZ}", "temperature_c": 18.2, "relative_humidity_pct": 61.4}}'
        publish(embedded_broker.port, [("monitord/gw1/p1/reading", payload.encode())])

        def seen() -> bool:
            with db.read() as conn:
                found = latest_assessment(conn, job.job)
            return found is not None and found.last_reading_at is not None and found.last_reading_at.year == now.year

        wait_until(seen, "the reading is assessed")
        assert httpx.get(f"{daemon.url}readyz", timeout=30).text == "ready\n"
    finally:
        daemon.stop()
    with lock_of(url):
        pass


def test_a_server_that_was_away_is_used_again_without_a_restart(postgres: Postgres, db: Database) -> None:
    with db.write() as conn:
        insert_batch(conn, [reading(0)])
    postgres.stop()
    with pytest.raises(StoreError), db.write() as conn:
        insert_batch(conn, [reading(10)])
    postgres.restart()
    with db.write() as conn:
        insert_batch(conn, [reading(10)])
    with db.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == 2


def test_readings_lie_by_month_and_what_came_to_the_rest_gets_its_month_when_it_is_enough(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partitions, "_ENOUGH", 40)
    clocks = ("2031-11-30T23:59:59.999Z", "2031-12-01T00:00:00Z", "2031-12-31T23:59:59.999Z", "2032-01-01T00:00:00Z")
    edges = [datetime.fromisoformat(at) for at in clocks]
    assert partitions.keep_partitions(db, datetime(2031, 12, 5, tzinfo=UTC)) == [
        "monitord_readings.m2031_12",
        "monitord_readings.m2032_01",
    ]
    assert partitions.keep_partitions(db, datetime(2031, 12, 31, 23, tzinfo=UTC)) == []
    late = [reading(k * 10 - 60 * 24 * 365 * 4) for k in range(40)]  # of March 2021
    odd = reading(0).model_copy(update={"time": datetime(1970, 1, 1, tzinfo=UTC)})
    at_edges = [reading(0).model_copy(update={"time": edge}) for edge in edges]
    with db.write() as conn:
        assert insert_batch(conn, [*at_edges, *late, odd]).inserted == 45
        assert insert_batch(conn, [*late, *at_edges]).repeats == 44
    assert lies(db) == {"m2031_12": 2, "m2032_01": 1, "rest": 42}
    assert partitions.keep_partitions(db, edges[1]) == ["monitord_readings.m2021_03"]
    assert lies(db) == {"m2021_03": 40, "m2031_12": 2, "m2032_01": 1, "rest": 2}
    with db.write() as conn:
        assert insert_batch(conn, [*late, odd]).repeats == 41
    with db.read() as conn:
        window = f"time_ms >= {to_ms(edges[1])} AND time_ms < {to_ms(edges[3])}"
        plan = conn.execute(text(f"EXPLAIN SELECT * FROM reading WHERE probe_id = 1 AND {window}")).scalars().all()
    assert re.findall(r" on (\w+)", "\n".join(plan)) in (["m2031_12"], ["m2031_12", "m2031_12_pkey"]), plan


def lies(db: Database) -> dict[str, int]:
    """How many readings lie in which partition."""
    with db.read() as conn:
        found = conn.execute(
            text("SELECT relname, count(*) FROM reading r JOIN pg_class c ON c.oid = r.tableoid GROUP BY 1")
        )
        return dict(sorted((name, count) for name, count in found))


def test_a_store_of_the_newest_schema_moves_also_where_nothing_has_loaded_its_tables(url: str, tmp_path: Path) -> None:
    """As the command does in a fresh process, in which no migration runs."""
    file = f"sqlite:///{tmp_path}/old.sqlite3"
    old = Database.open(file)
    fill(old)
    with old.write() as conn:
        notes.add_note(conn, "J1", None, T0, "Anna", "door open", [])
    old.close()
    words = [sys.executable, "-m", "monitord", "store", "move", file, url]
    moved = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert moved.returncode == 0, moved.stderr
    assert re.search(r"^note: 1 rows, ", moved.stdout, re.MULTILINE)


def test_people_sessions_tokens_quarantine_and_the_mirror_are_kept_there_as_well(db: Database) -> None:
    fill(db)
    later = T0 + timedelta(hours=1)
    with db.write() as conn:
        people.add_person(conn, "anna", "Anna", Role.OWNER, None, T0)
        secret = sessions.open_session(conn, "anna", T0, timedelta(days=1))
        found = sessions.find_session(conn, secret, later)
        people.note_failure(conn, "anna", "10.0.0.1", T0)
        assert people.count_failures(conn, T0, person="anna") == 1
        people.forget_failures(conn, "anna", "10.0.0.1", later)
        link = sessions.make_link(conn, sessions.LinkPurpose.PASSWORD, None, T0, timedelta(hours=2))
        token = tokens.add_token(conn, "gateway", Scope.INGEST, "anna", T0)
        known = tokens.find_token(conn, token)
        assert found is not None
        assert known is not None
        assert (found[1].person, known.name) == ("anna", "gateway")
        sessions.use_link(conn, link, sessions.LinkPurpose.PASSWORD, later)
        for k in range(8):
            quarantine.put(conn, "g1/p", b"x" * 1000 + bytes([k]), T0, "not_json", "no JSON")
        trimmed = trim(conn, later, timedelta(days=1), 6000)
        assert trimmed.cut > 0
        assert mirror.switch_on(conn, "there")
        insert_batch(conn, [reading(10 * k, "p9") for k in range(9)])
        hours = mirror.due_hours(conn, 100)
        rows = mirror.due_readings(conn, hours, 1000)
        assert len(rows) == 30 + 9
        mirror.settle_hours(conn, hours[:-1], (hours[-1], hours[-1].from_ms + 1))
        mirror.note_assessment(conn, "J1", 0, 5, ["line"])
        mirror.settle_assessments(conn, mirror.due_assessments(conn, 10))
        mirror.park(conn, [("line", "400")], T0)
        mirror.note_problem(conn, "502", T0, refused=False)
        state = mirror.state(conn)
        assert state is not None
        assert (state.due_hours, state.due_assessments, state.parked, state.failing_since) == (1, 0, 1, T0)
