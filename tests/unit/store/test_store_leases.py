"""Leases and signs of life, with time as an argument; on both databases."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitord.store.db.database import Database
from monitord.store.maintenance import leases
from monitord.store.maintenance.leases import Lease


@pytest.fixture
def db() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


def claim(db: Database, holder: str, now: int, *names: str) -> dict[str, Lease]:
    with db.write(shared=True) as conn:
        return leases.claim(conn, "job", names, holder, now, now + 30)


def test_what_is_free_is_taken_and_what_another_holds_is_left_out(db: Database) -> None:
    assert claim(db, "a", 100, "J2", "J1", "J1") == {"J1": Lease("job", "J1", "a", 1), "J2": Lease("job", "J2", "a", 1)}
    assert claim(db, "b", 129, "J1", "J3") == {"J3": Lease("job", "J3", "b", 1)}
    assert claim(db, "b", 129) == {}


def test_a_lease_can_be_taken_the_moment_that_its_time_is_over_and_not_before(db: Database) -> None:
    claim(db, "a", 100, "J1")
    assert claim(db, "b", 129, "J1") == {}
    assert claim(db, "b", 130, "J1")["J1"].fence == 2
    assert claim(db, "a", 130, "J1") == {}


def test_its_holder_may_claim_it_again_with_a_new_fence(db: Database) -> None:
    first = claim(db, "a", 100, "J1")["J1"]
    second = claim(db, "a", 110, "J1")["J1"]
    assert (first.fence, second.fence) == (1, 2)
    with db.write() as conn:
        assert not leases.renew(conn, first, 200)
        assert leases.renew(conn, second, 200)
    assert claim(db, "b", 199, "J1") == {}


def test_who_lost_a_lease_can_neither_renew_nor_finish_it(db: Database) -> None:
    paused = claim(db, "a", 100, "J1")["J1"]
    taken = claim(db, "b", 130, "J1")["J1"]
    with db.write() as conn:
        assert not leases.renew(conn, paused, 500)
        assert not leases.finish(conn, paused)
        assert leases.finish(conn, taken)
        assert not leases.finish(conn, paused)
    again = claim(db, "a", 131, "J1")["J1"]
    assert again.fence == 3
    with db.write() as conn:
        assert not leases.finish(conn, paused)


def test_a_lease_that_ran_out_and_that_nobody_took_may_still_be_finished(db: Database) -> None:
    """Nobody else has worked on it, so nothing is put over what another has found."""
    late = claim(db, "a", 100, "J1")["J1"]
    with db.write() as conn:
        assert leases.finish(conn, late)


def test_leases_of_another_kind_are_others(db: Database) -> None:
    claim(db, "a", 100, "J1")
    with db.write() as conn:
        assert leases.claim(conn, "task", ["J1"], "b", 100, 130)["J1"] == Lease("task", "J1", "b", 1)


def test_who_goes_gives_everything_back(db: Database) -> None:
    claim(db, "a", 100, "J1", "J2")
    claim(db, "b", 100, "J3")
    with db.write() as conn:
        leases.give_back_all(conn, "a")
    assert sorted(claim(db, "c", 101, "J1", "J2", "J3")) == ["J1", "J2"]


def test_only_a_fresh_sign_of_life_counts_and_only_for_its_roles(db: Database) -> None:
    with db.write() as conn:
        leases.announce(conn, "w1", ["assess", "notify"], 100, 130)
        leases.announce(conn, "w0", ["assess"], 110, 140)
        assert leases.living(conn, "assess", 120) == ["w0", "w1"]
        assert leases.living(conn, "notify", 120) == ["w1"]
        assert leases.living(conn, "ass", 120) == []
        assert leases.living(conn, "assess", 130) == ["w0"]
        leases.announce(conn, "w1", ["assess"], 135, 165)
        assert leases.living(conn, "assess", 139) == ["w0", "w1"]
        leases.withdraw(conn, "w0")
        assert leases.living(conn, "assess", 139) == ["w1"]


def test_the_living_are_counted_by_role(db: Database) -> None:
    with db.write() as conn:
        now = leases.database_ms(conn)
        leases.announce(conn, "w0", ["assess"], now, now + 60_000)
        leases.announce(conn, "w1", ["notify", "assess"], now, now + 60_000)
        leases.announce(conn, "gone", ["web"], now, now - 1)
        assert leases.count_living(conn) == {"assess": 2, "notify": 1}


def test_who_was_silent_for_a_day_is_forgotten(db: Database) -> None:
    day = 86_400_000
    with db.write() as conn:
        leases.announce(conn, "old", ["web"], 0, 10)
        leases.announce(conn, "new", ["web"], day + 10, day + 40)
        assert leases.living(conn, "web", 5) == ["new", "old"]
        leases.announce(conn, "new", ["web"], day + 11, day + 41)
        assert leases.living(conn, "web", 5) == ["new"]


def test_the_clock_of_the_database_is_that_of_this_machine(db: Database) -> None:
    from monitord.clock import SystemClock
    from monitord.store.db.times import to_ms

    with db.read() as conn:
        before, there, after = to_ms(SystemClock().now()), leases.database_ms(conn), to_ms(SystemClock().now())
    assert before - 1 <= there <= after + 1
