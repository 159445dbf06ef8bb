"""What the store promises about readings: kept once, unaltered, and heard only when live."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Connection, select

from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.readings import Reading
from monitord.store import jobs, pending_jobs, quarantine
from monitord.store.db.database import Database
from monitord.store.db.tables import arrival_ms, gateway_name, probe_name
from monitord.store.db.tables import reading as reading_table
from monitord.store.last_seen import newest_seen, times_seen
from monitord.store.series.keeping import elsewhere
from monitord.store.series.raw_reading import RawReading
from monitord.store.series.readings import insert_batch, load_series, probes_seen, unplaced

NOT_IN_INFLUXDB: frozenset[str] = frozenset()
T0 = datetime(2025, 3, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)
PLACEMENT = Placement(probe="p1", location_id="void", from_time=T0 - DAY)


def at(minutes: float, probe: str = "p1", delay_s: float = 4.0, **values: Any) -> Reading:
    time = T0 + timedelta(minutes=minutes)
    given = {"temperature_c": 18.2, "relative_humidity_pct": 61.4, "received_at": time + timedelta(seconds=delay_s)}
    return Reading(probe=probe, time=time, **(given | values))


@pytest.fixture
def conn() -> Iterator[Connection]:
    database = Database.open("sqlite://")
    with database.write() as connection:
        yield connection
    database.close()


def stored(conn: Connection) -> list[RawReading]:
    store = elsewhere(conn)
    if store is not None:
        stretches = [(probe, -(2**60), 2**60) for probe in store.probes()]
        return [row for rows in store.of_stretches(stretches) for row in rows]
    values = [c for c in reading_table.c if c.name not in ("probe_id", "gateway_id", "delay_ms", "live_ms")]
    found = (
        select(probe_name.c.name, *values, gateway_name.c.name, arrival_ms, reading_table.c.live_ms)
        .join_from(reading_table, probe_name, probe_name.c.id == reading_table.c.probe_id)
        .outerjoin(gateway_name, gateway_name.c.id == reading_table.c.gateway_id)
        .order_by(probe_name.c.name, reading_table.c.time_ms)
    )
    return [RawReading(*row) for row in conn.execute(found)]


def last_seen_at(conn: Connection, probe: str = "p1") -> datetime | None:
    return next((heard.last_seen_at for heard in probes_seen(conn) if heard.probe == probe), None)


# --- kept unaltered -----------------------------------------------------------------------------------------


def test_every_value_comes_back_as_it_was_reported(conn: Connection) -> None:
    full = at(
        0,
        surface_temperature_c=11.4,
        battery_v=3.05,
        battery_pct=91.0,
        pressure_hpa=998.7,
        rssi_dbm=-71.0,
        gateway="g1",
    )
    bare = at(10)
    assert insert_batch(conn, [full, bare]).inserted == 2
    first, second = stored(conn)
    milliseconds = 1_740_830_400_000  # 2025-03-01T12:00:00Z, by `date -u -d 2025-03-01T12:00Z +%s`
    values = (18.2, 61.4, 11.4, 3.05, 91.0, 998.7, -71.0)
    assert first == ("p1", milliseconds, *values, "g1", milliseconds + 4000, None)
    assert conn.execute(select(probe_name.c.id, probe_name.c.name)).all() == [(1, "p1")]
    assert second.surface_temperature_c is None
    assert second.battery_v is None


def test_implausible_values_are_kept_too(conn: Connection) -> None:
    insert_batch(conn, [at(0, temperature_c=-273.0, relative_humidity_pct=131.5)])
    series = load_series(conn, PLACEMENT, T0, T0)
    assert series.temperature_c.tolist() == [-273.0]
    assert series.relative_humidity_pct.tolist() == [131.5]


def test_a_missing_value_is_nan_in_a_series(conn: Connection) -> None:
    insert_batch(conn, [at(0), at(10, surface_temperature_c=9.0)])
    series = load_series(conn, PLACEMENT, T0, T0 + DAY)
    np.testing.assert_array_equal(series.surface_temperature_c, [np.nan, 9.0])
    np.testing.assert_array_equal(series.battery_v, [np.nan, np.nan])


def test_stamps_differing_by_a_millisecond_are_two_readings(conn: Connection) -> None:
    second = at(0, temperature_c=18.3).model_copy(update={"time": T0 + timedelta(milliseconds=1)})
    assert insert_batch(conn, [at(0), second]).inserted == 2
    assert load_series(conn, PLACEMENT, T0, T0 + DAY).time_s.tolist() == [T0.timestamp(), T0.timestamp() + 0.001]


def test_a_series_holds_the_stay_only_and_both_ends_of_the_time_asked_for(conn: Connection) -> None:
    insert_batch(conn, [at(minutes) for minutes in range(0, 70, 10)])
    placement = Placement(
        probe="p1", location_id="void", from_time=T0 + timedelta(minutes=10), to_time=T0 + timedelta(minutes=50)
    )
    minutes = (load_series(conn, placement, T0, T0 + timedelta(minutes=40)).time_s - T0.timestamp()) / 60
    assert minutes.tolist() == [10, 20, 30, 40]
    minutes = (load_series(conn, placement, T0, T0 + DAY).time_s - T0.timestamp()) / 60
    assert minutes.tolist() == [10, 20, 30, 40], "a stay ends before its `to`"


def test_an_empty_batch_changes_nothing(conn: Connection) -> None:
    result = insert_batch(conn, [])
    assert (result.inserted, result.repeats, result.conflicts) == (0, 0, [])


@pytest.mark.parametrize("probe", ["é", "📡7", 'a"b', "a\\b", "a'b", "x" * 128])
def test_any_id_that_the_model_allows_is_kept_and_found(conn: Connection, probe: str) -> None:
    assert insert_batch(conn, [at(0, probe)]).inserted == 1
    assert insert_batch(conn, [at(0, probe)]).repeats == 1
    assert [heard.probe for heard in probes_seen(conn)] == [probe]


def test_when_probes_were_seen_is_told_without_their_readings(conn: Connection) -> None:
    assert newest_seen(conn) is None
    assert times_seen(conn) == {}
    insert_batch(conn, [at(0, "a"), at(7, "a"), at(3, 'b"')])
    assert times_seen(conn) == {heard.probe: heard.last_seen_at for heard in probes_seen(conn)}
    assert times_seen(conn, ['b"', "never"]) == {'b"': at(3).time}
    assert newest_seen(conn) == at(7).time


# --- repeats and conflicts ----------------------------------------------------------------------------------


def test_a_repeat_is_harmless(conn: Connection) -> None:
    insert_batch(conn, [at(0)])
    before = stored(conn)
    again = insert_batch(conn, [at(0, delay_s=900.0), at(0, delay_s=901.0)])
    assert (again.inserted, again.repeats, again.conflicts) == (0, 2, [])
    assert stored(conn) == before, "the first time of arrival stays"


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"gateway": "g2"}, id="heard by another gateway"),
        pytest.param({"rssi_dbm": -90.0}, id="at another signal strength"),
        pytest.param({"battery_v": None}, id="with a value left out"),
    ],
)
def test_a_repeat_that_says_nothing_new_about_the_place_is_no_conflict(
    conn: Connection, change: dict[str, Any]
) -> None:
    first = at(0, gateway="g1", rssi_dbm=-70.0, battery_v=3.0)
    insert_batch(conn, [first])
    result = insert_batch(conn, [first.model_copy(update=change)])
    assert (result.repeats, result.conflicts) == (1, [])


@pytest.mark.parametrize(
    "name", ["temperature_c", "relative_humidity_pct", "surface_temperature_c", "battery_v", "pressure_hpa"]
)
def test_a_repeat_with_another_value_is_a_conflict_and_the_first_is_kept(conn: Connection, name: str) -> None:
    first = at(0, surface_temperature_c=10.0, battery_v=3.0, pressure_hpa=1000.0)
    other = first.model_copy(update={name: 12.5})
    insert_batch(conn, [first])
    before = stored(conn)
    result = insert_batch(conn, [other])
    assert (result.inserted, result.repeats, result.conflicts) == (0, 0, [other])
    assert stored(conn) == before


def test_a_repeat_that_adds_a_value_is_a_conflict_so_that_the_value_is_not_lost(conn: Connection) -> None:
    insert_batch(conn, [at(0)])
    assert len(insert_batch(conn, [at(0, battery_v=2.9)]).conflicts) == 1
    assert json.loads(quarantine.list_held(conn)[0].payload)["battery_v"] == 2.9


def test_a_conflict_inside_one_batch_keeps_the_first(conn: Connection) -> None:
    result = insert_batch(conn, [at(0), at(0, temperature_c=30.0), at(0)])
    assert (result.inserted, result.repeats, len(result.conflicts)) == (1, 1, 1)
    assert stored(conn)[0].temperature_c == 18.2


def test_a_conflict_is_in_quarantine_as_json_with_both_values_in_the_reason(conn: Connection) -> None:
    insert_batch(conn, [at(0), at(0, temperature_c=30.0)])
    (held,) = quarantine.list_held(conn)
    assert (held.code, held.topic, held.times) == ("conflict", "", 1)
    assert "temperature_c 18.2 is stored, 30.0 came" in held.reason
    assert "relative_humidity" not in held.reason
    payload = json.loads(held.payload)
    assert Reading(**payload, received_at=held.received_at) == at(0, temperature_c=30.0)


def test_a_conflict_delivered_again_is_counted_and_not_kept_twice(conn: Connection) -> None:
    for delay in (4.0, 60.0):
        insert_batch(conn, [at(0), at(0, temperature_c=30.0, delay_s=delay)])
    assert [held.times for held in quarantine.list_held(conn)] == [2]
    assert quarantine.count_held(conn) == {"conflict": 2}


# --- last heard ---------------------------------------------------------------------------------------------


def test_a_probe_is_heard_at_its_newest_stamp_in_any_order_of_arrival(conn: Connection) -> None:
    insert_batch(conn, [at(10), at(30), at(20)])
    insert_batch(conn, [at(0, delay_s=7200.0)])
    (heard,) = probes_seen(conn)
    assert heard.last_seen_at == heard.time == T0 + timedelta(minutes=30)
    assert heard.received_at == T0 + timedelta(seconds=7200), "when anything last came is told apart"


def test_last_heard_tells_what_the_newest_reading_said(conn: Connection) -> None:
    insert_batch(conn, [at(10, battery_v=2.8, rssi_dbm=-80.0, gateway="g2"), at(0, battery_v=3.1, gateway="g1")])
    (heard,) = probes_seen(conn)
    assert (heard.battery_v, heard.rssi_dbm, heard.gateway, heard.temperature_c) == (2.8, -80.0, "g2", 18.2)


def test_a_retained_replay_is_stored_but_does_not_make_a_probe_look_alive(conn: Connection) -> None:
    insert_batch(conn, [at(0)])
    result = insert_batch(conn, [at(60, delay_s=90_000.0), at(0, "p2")], retained=frozenset({0, 1}))
    assert result.inserted == 2
    assert last_seen_at(conn) == T0
    assert last_seen_at(conn, "p2") is None
    assert len(load_series(conn, PLACEMENT, T0, T0 + DAY)) == 2


def test_a_retained_replay_of_a_stored_reading_takes_nothing_back(conn: Connection) -> None:
    insert_batch(conn, [at(0)])
    assert insert_batch(conn, [at(0, delay_s=3600.0)], retained=frozenset({0})).repeats == 1
    assert last_seen_at(conn) == T0


@pytest.mark.parametrize("together", [True, False])
def test_a_live_copy_after_a_retained_replay_counts_as_heard(conn: Connection, together: bool) -> None:
    replayed, live = at(0), at(0, delay_s=10.0)
    if together:
        insert_batch(conn, [replayed, live], retained=frozenset({0}))
    else:
        insert_batch(conn, [replayed], retained=frozenset({0}))
        insert_batch(conn, [live])
    assert last_seen_at(conn) == T0
    assert len(stored(conn)) == 1


def test_a_backlog_does_not_make_a_silent_probe_look_alive(conn: Connection) -> None:
    insert_batch(conn, [at(0), at(10, delay_s=5 * 86400.0)])
    assert last_seen_at(conn) == T0 + timedelta(minutes=10)


def test_a_stamp_ahead_of_its_arrival_counts_as_heard_at_the_arrival(conn: Connection) -> None:
    year_ahead = at(0).model_copy(update={"time": T0 + 365 * DAY, "received_at": T0})
    insert_batch(conn, [year_ahead])
    assert last_seen_at(conn) == T0
    insert_batch(conn, [at(20)])
    assert last_seen_at(conn) == T0 + timedelta(minutes=20), "and does not hide what comes after it"


def test_a_conflict_does_not_count_as_heard(conn: Connection) -> None:
    insert_batch(conn, [at(0)], retained=frozenset({0}))
    insert_batch(conn, [at(0, temperature_c=30.0, delay_s=60.0)])
    assert last_seen_at(conn) is None


# --- jobs: marks and what is not placed ---------------------------------------------------------------------


def job(name: str, *placements: Placement) -> JobFile:
    locations = tuple(Location(id=placement.location_id, kind=LocationKind.CAVITY) for placement in placements)
    return JobFile(job=name, start=T0 - DAY, locations=locations, probes=placements)


def settle(conn: Connection) -> None:
    for name, mark in pending_jobs.marked_jobs(conn):
        pending_jobs.clear_mark(conn, name, mark)


def test_readings_mark_the_jobs_whose_stays_they_fall_in(conn: Connection) -> None:
    jobs.apply_job(conn, job("J1", Placement(probe="p1", location_id="a", from_time=T0 - DAY, to_time=T0)))
    jobs.apply_job(conn, job("J2", Placement(probe="p1", location_id="a", from_time=T0)))
    jobs.apply_job(conn, job("J3", Placement(probe="p2", location_id="a", from_time=T0)))
    settle(conn)
    insert_batch(conn, [at(0)])
    assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J2"]
    insert_batch(conn, [at(-600), at(90, "p3")])
    assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J1", "J2"], (
        "a late arrival marks the job of its time"
    )


def test_what_changes_nothing_marks_nothing(conn: Connection) -> None:
    jobs.apply_job(conn, job("J1", PLACEMENT))
    insert_batch(conn, [at(0)])
    settle(conn)
    insert_batch(conn, [at(0, delay_s=60.0), at(0, temperature_c=30.0)])
    marked = [name for name, _ in pending_jobs.marked_jobs(conn)]
    # beside another store a repeat is noted again: a process may have been killed between the two
    assert marked == ([] if elsewhere(conn) is None else ["J1"])


def test_a_probe_that_turns_out_to_be_alive_marks_its_job(conn: Connection) -> None:
    jobs.apply_job(conn, job("J1", PLACEMENT))
    insert_batch(conn, [at(0)], retained=frozenset({0}))
    settle(conn)
    insert_batch(conn, [at(0, delay_s=60.0)])
    assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J1"]


def test_a_job_applied_after_its_readings_came_is_marked(conn: Connection) -> None:
    insert_batch(conn, [at(0)])
    assert pending_jobs.marked_jobs(conn) == []
    jobs.apply_job(conn, job("J1", PLACEMENT))
    assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["J1"]


def test_a_probe_heard_at_a_time_of_no_stay_is_unplaced(conn: Connection) -> None:
    ended = Placement(probe="p2", location_id="b", from_time=T0 - DAY, to_time=T0)
    jobs.apply_job(conn, job("J1", PLACEMENT, ended))
    insert_batch(conn, [at(0, "p1"), at(0, "p2"), at(0, "p3"), at(0, "p4")], retained=frozenset({3}))
    assert [heard.probe for heard in unplaced(conn)] == ["p2", "p3"]
