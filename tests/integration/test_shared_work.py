"""Several processes on one PostgreSQL: what may happen at the same time and what may not."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta

import pytest
from brokers import wait_until
from postgres import Postgres
from sqlalchemy import text

from monitord.errors import StoreError
from monitord.model.readings import Reading
from monitord.store import quarantine
from monitord.store.db import database as databases
from monitord.store.db.database import Database
from monitord.store.db.times import HOUR_MS, to_ms
from monitord.store.maintenance import leases, one_daemon
from monitord.store.maintenance.one_daemon import lock_of
from monitord.store.series import rollups
from monitord.store.series.readings import BatchResult, insert_batch

T0 = datetime(2025, 3, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with Postgres() as server:
        yield server


@pytest.fixture(scope="module")
def migrated(postgres: Postgres) -> str:
    url = postgres.create("work")
    Database.open(url).close()
    return url


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
    monkeypatch.setattr(databases, "_FORGOTTEN_MS", 100)
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
