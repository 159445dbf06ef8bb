"""Hourly roll-ups and records, against pandas' resampling of the very readings that had come by then."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from sqlalchemy import Connection, event, select

from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.readings import Reading
from monitord.model.series import LATE_S, Hourly
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.store.db.tables import hourly as hourly_table
from monitord.store.db.tables import touched_hour
from monitord.store.db.times import HOUR_MS, to_ms
from monitord.store.series import rollups
from monitord.store.series.keeping import elsewhere
from monitord.store.series.readings import insert_batch, load_hourly, load_job_record
from monitord.store.series.records import count_readings, counted_before

NOT_IN_INFLUXDB = {
    "test_a_commit_rolls_nothing_up_however_many_readings_fall_into_an_hour",  # counts the rows of the table
    "test_a_late_reading_touches_its_hour_again",  # the same
    "test_a_repeat_touches_no_hour",  # there it does, since a process may have been killed between the two stores
    "test_roll_ups_are_medians_and_extremes_of_each_hour",  # takes seconds; the others read in the same way
    "test_a_long_record_takes_a_few_statements_for_each_stay",  # counts statements of the database
}
T0 = datetime(2025, 3, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLACEMENT = Placement(probe="p1", location_id="void", from_time=T0)


def reading(time: datetime, received_at: datetime | None = None, probe: str = "p1", seed: float = 0.0) -> Reading:
    spread = random.Random(f"{time} {seed}")
    return Reading(
        probe=probe,
        time=time,
        temperature_c=round(spread.gauss(15, 3), 2),
        relative_humidity_pct=round(spread.gauss(75, 5), 1),
        surface_temperature_c=round(spread.gauss(10, 1), 1) if spread.random() < 0.6 else None,
        received_at=received_at or time + timedelta(seconds=4),
    )


def every(minutes: float, hours: float, probe: str = "p1") -> list[Reading]:
    return [reading(T0 + timedelta(minutes=minutes * k), probe=probe) for k in range(int(hours * 60 / minutes))]


def by_pandas(readings: Sequence[Reading]) -> Hourly:
    frame = pd.DataFrame(
        {
            "t": [r.temperature_c for r in readings],
            "rh": [r.relative_humidity_pct for r in readings],
            "surface": pd.array([r.surface_temperature_c for r in readings], dtype="Float64"),
        },
        index=pd.DatetimeIndex([r.time for r in readings]),
    ).astype(float)
    hours = frame.resample("1h")
    count = hours["t"].count()
    t, rh, surface = hours["t"], hours["rh"], hours["surface"]
    columns = [count, t.median(), rh.median(), surface.median(), t.min(), t.max(), rh.min(), rh.max()]
    there = count.to_numpy() > 0
    seconds = np.array([time.timestamp() for time in count.index])
    return Hourly(seconds[there], *(column.to_numpy(dtype=float)[there] for column in columns))


def assert_same(found: Hourly, expected: Hourly) -> None:
    for name in Hourly.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name), err_msg=name)


@pytest.fixture
def conn() -> Iterator[Connection]:
    database = Database.open("sqlite://")
    with database.write() as connection:
        yield connection
    database.close()


def insert(conn: Connection, readings: Sequence[Reading], batch: int) -> None:
    for start in range(0, len(readings), batch):
        insert_batch(conn, readings[start : start + batch])


@pytest.mark.parametrize("batch", [1, 7, 500])
def test_roll_ups_are_medians_and_extremes_of_each_hour(conn: Connection, batch: int) -> None:
    readings = every(10, hours=30)
    del readings[60:75], readings[3]  # a gap, and an hour with an even number
    random.Random(1).shuffle(readings)
    insert(conn, readings, batch)
    assert_same(load_hourly(conn, PLACEMENT, T0 + 40 * HOUR), by_pandas(readings))
    assert rollups.renew(conn, to_ms(T0 + 40 * HOUR)) == len(by_pandas(readings))
    assert_same(load_hourly(conn, PLACEMENT, T0 + 40 * HOUR), by_pandas(readings))


def test_probes_of_one_batch_do_not_mix(conn: Connection) -> None:
    readings = {probe: every(15, hours=6, probe=probe) for probe in ("p1", "p2", "p10")}
    insert_batch(conn, [r for three in zip(*readings.values(), strict=True) for r in three])
    for probe, own in readings.items():
        found = load_hourly(conn, PLACEMENT.model_copy(update={"probe": probe}), T0 + 9 * HOUR)
        assert_same(found, by_pandas(own))


@pytest.mark.parametrize(("begins", "ends"), [(0, 600), (25, 335), (25, 45), (60, 120), (59, 61)])
def test_a_stay_takes_its_own_part_of_the_hours_it_begins_and_ends_in(conn: Connection, begins: int, ends: int) -> None:
    readings = every(5, hours=10)
    insert(conn, readings, 50)
    rollups.renew(conn, to_ms(T0 + 40 * HOUR))
    placement = Placement(
        probe="p1",
        location_id="void",
        from_time=T0 + timedelta(minutes=begins),
        to_time=T0 + timedelta(minutes=ends),
    )
    own = [r for r in readings if placement.covers(r.time)]
    assert_same(load_hourly(conn, placement, T0 + 40 * HOUR), by_pandas(own))


def test_hours_are_given_once_they_are_over(conn: Connection) -> None:
    readings = every(10, hours=5)
    insert(conn, readings, 50)
    over = by_pandas([r for r in readings if r.time < T0 + 2 * HOUR])
    assert_same(load_hourly(conn, PLACEMENT, T0 + 2 * HOUR), over)
    assert_same(load_hourly(conn, PLACEMENT, T0 + 2.99 * HOUR), over)
    assert len(load_hourly(conn, PLACEMENT, T0 + 0.99 * HOUR)) == 0


def test_as_of_an_earlier_time_the_hours_are_as_they_were_known_then(conn: Connection) -> None:
    chance = random.Random(4)
    readings = [
        reading(r.time, r.time + timedelta(seconds=chance.choice([4, 4, 4, 5000, 40_000]))) for r in every(10, hours=48)
    ]
    insert(conn, sorted(readings, key=lambda r: r.received_at), 40)
    rollups.renew(conn, to_ms(T0 + 30 * HOUR))
    for hours in (1.2, 7.9, 20.0, 33.4, 47.1, 70.0):
        as_of = T0 + hours * HOUR
        known = [r for r in readings if r.received_at <= as_of and r.time < T0 + int(hours) * HOUR]
        assert_same(load_hourly(conn, PLACEMENT, as_of, as_of_received=as_of), by_pandas(known))


# --- made where they are read -------------------------------------------------------------------------------


@pytest.fixture
def rows_read(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many rows each query of the roll-ups gave, readings and hours."""
    read: list[int] = []
    columns_of = rollups.columns_of

    def counting(*args: object) -> object:
        found = columns_of(*args)  # type: ignore[arg-type]
        read.append(found.shape[1])
        return found

    monkeypatch.setattr(rollups, "columns_of", counting)
    return read


def test_a_commit_rolls_nothing_up_however_many_readings_fall_into_an_hour(
    conn: Connection, rows_read: list[int]
) -> None:
    n = 3000
    insert(conn, [reading(T0 + timedelta(seconds=k)) for k in range(n)], 20)
    assert rows_read == []
    assert rollups.renew(conn, to_ms(T0 + HOUR)) == 1
    assert rows_read == [n], "each reading is read once, when its hour is over"
    assert rollups.renew(conn, to_ms(T0 + HOUR)) == 0


def test_an_hour_that_is_not_over_waits(conn: Connection) -> None:
    insert_batch(conn, every(10, hours=3))
    assert rollups.renew(conn, to_ms(T0 + 2.9 * HOUR)) == 2
    assert conn.execute(select(touched_hour)).all() == [(1, to_ms(T0 + 2 * HOUR) // HOUR_MS)]
    assert conn.execute(select(hourly_table.c.count)).scalars().all() == [6, 6]


def test_a_late_reading_touches_its_hour_again(conn: Connection, rows_read: list[int]) -> None:
    readings = every(10, hours=4)
    late = readings.pop(8)
    insert_batch(conn, readings)
    rollups.renew(conn, to_ms(T0 + 5 * HOUR))
    insert_batch(conn, [late])
    assert_same(load_hourly(conn, PLACEMENT, T0 + 5 * HOUR), by_pandas(sorted([*readings, late], key=lambda r: r.time)))
    rows_read.clear()
    assert rollups.renew(conn, to_ms(T0 + 5 * HOUR)) == 1
    assert rows_read == [6], "no other hour is read"
    assert_same(load_hourly(conn, PLACEMENT, T0 + 5 * HOUR), by_pandas(sorted([*readings, late], key=lambda r: r.time)))


def test_a_repeat_touches_no_hour(conn: Connection) -> None:
    readings = every(10, hours=2)
    insert_batch(conn, readings)
    rollups.renew(conn, to_ms(T0 + 5 * HOUR))
    insert_batch(conn, [*readings, readings[0].model_copy(update={"temperature_c": 60.0})])
    assert conn.execute(select(touched_hour)).all() == []


def test_readings_are_counted_once_all_of_their_hours_are_rolled_up(conn: Connection) -> None:
    readings = every(10, hours=5)
    insert(conn, readings, 50)
    until = T0 + 3 * HOUR
    before = [one for one in readings if one.time < until]
    assert counted_before(conn, ["p1", "never"], until.timestamp()) is None
    rollups.renew(conn, to_ms(until))
    newest = to_ms(max(one.received_at for one in before))
    assert counted_before(conn, ["p1", "never"], until.timestamp()) == ((len(before), newest),)
    insert(conn, [reading(T0 + timedelta(minutes=5))], 1)
    assert counted_before(conn, ["p1"], until.timestamp()) is None
    counted = count_readings(conn, PLACEMENT, T0, until - timedelta(seconds=1))
    assert counted == (None if elsewhere(conn) else len(before) + 1)


def test_all_touched_hours_are_renewed_in_short_transactions(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rollups, "_AT_ONCE", 7)
    database = Database.open("sqlite://")
    readings = every(10, hours=30)
    with database.write() as conn:
        insert_batch(conn, readings)
    moved: list[bool] = []
    rollups.renew_all(database, to_ms(T0 + 30 * HOUR), lambda: moved.append(True))
    with database.read() as conn:
        assert conn.execute(select(touched_hour)).all() == []
        assert_same(load_hourly(conn, PLACEMENT, T0 + 40 * HOUR), by_pandas(readings))
    assert len(moved) == 5
    database.close()


# --- records ------------------------------------------------------------------------------------------------


JOB = JobFile(
    job="J1",
    start=T0,
    locations=(Location(id="void", kind=LocationKind.SUBFLOOR_VOID), Location(id="room", kind=LocationKind.ROOM_AIR)),
    probes=(
        Placement(probe="p2", location_id="room", from_time=T0),
        Placement(probe="p1", location_id="void", from_time=T0, to_time=T0 + timedelta(hours=30, minutes=20)),
        Placement(probe="p1", location_id="room", from_time=T0 + timedelta(hours=30, minutes=40)),
    ),
)


def test_a_record_has_each_stay_in_the_job_files_order_with_the_last_days_raw(conn: Connection) -> None:
    readings = every(10, hours=100, probe="p1") + every(10, hours=100, probe="p2")
    insert(conn, readings, 300)
    as_of = T0 + timedelta(hours=90, minutes=5)
    record = load_job_record(conn, JOB, as_of, recent_h=24)
    assert [placement.placement for placement in record.placements] == list(JOB.probes)
    first, second, third = record.placements
    assert len(second.recent) == 0
    assert second.last_seen_s == (T0 + timedelta(hours=30, minutes=10)).timestamp()
    for placement in (first, third):
        own = [r for r in readings if r.probe == placement.placement.probe and as_of - 24 * HOUR <= r.time <= as_of]
        np.testing.assert_array_equal(placement.recent.time_s, [r.time.timestamp() for r in own])
        np.testing.assert_array_equal(placement.recent.temperature_c, [r.temperature_c for r in own])
        np.testing.assert_array_equal(placement.recent.received_s, [r.received_at.timestamp() for r in own])
        assert placement.last_seen_s == (T0 + timedelta(hours=90)).timestamp()


def test_a_record_before_anything_came_is_empty(conn: Connection) -> None:
    insert_batch(conn, every(10, hours=2))
    record = load_job_record(conn, JOB, T0 - HOUR)
    assert [(len(s.recent), len(s.hourly), s.last_seen_s) for s in record.placements] == [(0, 0, None)] * 3


def test_what_came_late_is_in_the_raw_part_however_old_its_stamp(conn: Connection) -> None:
    arrival = T0 + 200 * HOUR
    late = [reading(T0 + timedelta(minutes=10 * k), arrival) for k in range(12)]
    insert_batch(conn, [*late, reading(T0 + 3 * HOUR), reading(T0 + 199 * HOUR)])
    (_, placement, after) = load_job_record(conn, JOB, T0 + 201 * HOUR).placements
    assert placement.recent.time_s.tolist() == [r.time.timestamp() for r in late]
    assert after.recent.time_s.tolist() == [(T0 + 199 * HOUR).timestamp()]
    assert (arrival - late[-1].time).total_seconds() > LATE_S
    (_, placement, _) = load_job_record(conn, JOB, T0 + 199 * HOUR).placements
    assert len(placement.recent) == 0, "before it came it was not known"


def test_last_heard_as_of_a_time_counts_only_what_was_live_by_then(conn: Connection) -> None:
    live, replayed = reading(T0 + HOUR, probe="p2"), reading(T0 + 2 * HOUR, probe="p2")
    insert_batch(conn, [live, replayed], retained=frozenset({1}))
    came_live = replayed.model_copy(update={"received_at": T0 + 5 * HOUR})
    insert_batch(conn, [came_live])
    heard = [load_job_record(conn, JOB, T0 + hours * HOUR).placements[0].last_seen_s for hours in (0.5, 3.0, 5.0)]
    assert heard == [None, (T0 + HOUR).timestamp(), (T0 + 2 * HOUR).timestamp()]


def test_a_probe_whose_clock_runs_ahead_is_heard_when_its_readings_come(conn: Connection) -> None:
    ahead = [reading(r.time + 2 * HOUR, r.received_at, probe="p2") for r in every(10, hours=8)]
    insert_batch(conn, ahead)
    as_of = T0 + timedelta(hours=5, minutes=5)
    placement = load_job_record(conn, JOB, as_of).placements[0]
    assert placement.last_seen_s == (T0 + timedelta(hours=5, seconds=4)).timestamp()
    assert placement.recent.time_s[-1] == (T0 + 7 * HOUR).timestamp(), "its stamps are shown as they are"
    insert_batch(conn, [reading(T0 + timedelta(hours=12), probe="p2")])
    heard = load_job_record(conn, JOB, T0 + 13 * HOUR).placements[0].last_seen_s
    assert heard == (T0 + 12 * HOUR).timestamp()


def test_a_long_record_takes_a_few_statements_for_each_stay(conn: Connection) -> None:
    jobs.apply_job(conn, JOB)
    readings = every(10, hours=24 * 20, probe="p2")
    insert(conn, readings, 500)
    statements: list[str] = []
    event.listen(conn, "before_cursor_execute", lambda *args: statements.append(args[2]))
    record = load_job_record(conn, JOB, readings[-1].received_at)
    assert len(record.placements[0].hourly) == 24 * 20 - 1
    assert len(record.placements[0].recent) == 72 * 6
    assert len(statements) <= 6 * len(JOB.probes), "no statement for each hour or each reading"
