"""Outdoor forecasts in the store: an assessment sees what had been issued and had arrived by its time, and no more."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest

from monitord.model.outdoor_forecast import ForecastHour, OutdoorForecastDocument
from monitord.store.db.database import Database
from monitord.store.outdoor_forecasts import KEPT, keep, load

T0 = datetime(2025, 1, 10, 6, tzinfo=UTC)
H = timedelta(hours=1)
DAY = timedelta(days=1)


@pytest.fixture
def db() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


def forecast(issued: datetime, t: float = 2.0) -> OutdoorForecastDocument:
    hours = tuple(ForecastHour(time=issued + k * H, temperature_c=t, relative_humidity_pct=80) for k in range(1, 30))
    return OutdoorForecastDocument(issued_at=issued, hours=hours)


def seen(db: Database, as_of: datetime, job: str = "j", max_age: timedelta = DAY) -> datetime | None:
    with db.read() as conn:
        found = load(conn, job, as_of, max_age)
    return None if found is None else found.issued_at


def put(db: Database, issued: datetime, received: datetime, job: str = "j", t: float = 2.0) -> None:
    with db.write() as conn:
        keep(conn, job, forecast(issued, t), received)


def test_the_newest_that_was_issued_and_had_arrived_by_then_counts(db: Database) -> None:
    put(db, T0, T0 + H)
    put(db, T0 + 6 * H, T0 + 8 * H)
    assert seen(db, T0 + 0.5 * H) is None  # issued, not arrived
    assert seen(db, T0 + 2 * H) == T0
    assert seen(db, T0 + 7 * H) == T0  # the second one is on its way
    assert seen(db, T0 + 8 * H) == T0 + 6 * H


def test_an_old_one_counts_no_more_and_other_jobs_have_their_own(db: Database) -> None:
    put(db, T0, T0)
    assert seen(db, T0 + DAY) == T0
    assert seen(db, T0 + DAY + H) is None
    assert seen(db, T0 + H, job="other") is None


def test_the_same_issue_again_changes_nothing(db: Database) -> None:
    put(db, T0, T0, t=2.0)
    put(db, T0, T0 + H, t=9.0)
    with db.read() as conn:
        found = load(conn, "j", T0 + 2 * H, DAY)
    assert found is not None
    assert found.hours[0].temperature_c == 2.0


def test_what_is_long_past_is_let_go_when_a_new_one_comes(db: Database) -> None:
    put(db, T0, T0)
    put(db, T0 + KEPT + H, T0 + KEPT + H)
    assert seen(db, T0 + H) is None
    assert seen(db, T0 + KEPT + 2 * H) == T0 + KEPT + H
