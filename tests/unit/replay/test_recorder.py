"""Readings in memory: what is known as of a time depends on what arrived, not on the order it came in."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from analysis_series import roll_up
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.series import Hourly, JobRecord, PlacementRecord, Series
from monitord.replay.recorder import Recorder, Row

START = datetime(2026, 3, 2, tzinfo=UTC)
START_S = START.timestamp()
NAN = float("nan")


def job(*placements: tuple[str, float, float | None]) -> JobFile:
    placed = tuple(
        Placement(
            probe=probe,
            location_id="wall",
            from_time=START + timedelta(hours=first),
            to_time=None if last is None else START + timedelta(hours=last),
        )
        for probe, first, last in placements or (("a", 0.0, None),)
    )
    location = Location(id="wall", kind=LocationKind.CAVITY)
    return JobFile(job="j", start=START, locations=(location,), probes=placed)


def row(hours: float, rh: float = 60.0, delay_s: float = 1.0) -> Row:
    time_s = START_S + 3600.0 * hours
    return (time_s, 15.0, rh, NAN, NAN, time_s + delay_s)


def record(recorder: Recorder, hours: float) -> PlacementRecord:
    return recorder.record(START_S + 3600.0 * hours).placements[0]


def same(one: Series | Hourly, other: Series | Hourly) -> bool:
    return all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True) for name in one.__dataclass_fields__
    )


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 300), st.integers(0, 90)), max_size=40), st.randoms())
def test_the_order_of_arrival_does_not_matter(readings: list[tuple[int, int]], mix: random.Random) -> None:
    # stamps every six minutes, arriving up to nine hours late; one reading for each stamp
    rows = [row(k / 10.0, 40.0 + k % 50, 360.0 * late) for k, late in dict(readings).items()]
    straight, mixed = Recorder(job()), Recorder(job())
    for one in rows:
        straight.add("a", one)
    twice = rows + rows[: len(rows) // 2]
    mix.shuffle(twice)
    for k, one in enumerate(twice):
        mixed.add("a", one)
        if k % 7 == 3:
            mixed.record(START_S + 3600.0 * k / 10.0)  # looking in between changes nothing
    for hours in (12.0, 40.0):
        expected, found = record(straight, hours), record(mixed, hours)
        assert same(found.recent, expected.recent)
        assert same(found.hourly, expected.hourly)
        assert found.last_seen_s == expected.last_seen_s


@settings(max_examples=40)
@given(st.sets(st.integers(0, 300), min_size=1))
def test_hours_are_those_of_all_readings_rolled_up_at_once(stamps: set[int]) -> None:
    rows = [row(k / 10.0, 40.0 + (7 * k) % 50) for k in sorted(stamps)]
    recorder = Recorder(job())
    for one in rows:
        recorder.add("a", one)
    columns = np.array(rows).T
    assert same(record(recorder, 40.0).hourly, roll_up(Series(*columns)))


def test_only_hours_that_are_over_are_shown() -> None:
    recorder = Recorder(job())
    for k in range(12):
        recorder.add("a", row(k / 4.0))
    assert record(recorder, 2.75).hourly.hour_s.tolist() == [START_S, START_S + 3600.0]
    assert len(record(recorder, 3.0).hourly) == 3


def test_the_first_of_two_readings_with_one_stamp_is_kept() -> None:
    recorder = Recorder(job())
    assert recorder.add("a", row(1.0, 60.0))
    assert not recorder.add("a", row(1.0, 99.0))
    assert record(recorder, 3.0).recent.relative_humidity_pct.tolist() == [60.0]


def test_a_reading_belongs_to_the_stay_that_covers_its_stamp() -> None:
    recorder = Recorder(job(("a", 0.0, 2.0), ("a", 5.0, None), ("b", 0.0, None)))
    assert recorder.add("a", row(1.0))
    assert not recorder.add("a", row(2.0))  # the stay ended then
    assert not recorder.add("a", row(4.9))
    assert recorder.add("a", row(5.0))
    assert not recorder.add("unknown", row(5.0))
    known: JobRecord = recorder.record(START_S + 36_000.0)
    assert [len(placement.recent) for placement in known.placements] == [1, 1, 0]


def test_a_backlog_is_recent_though_its_stamps_are_old() -> None:
    recorder = Recorder(job(), recent_h=24.0)
    recorder.add("a", row(1.0))
    recorder.add("a", row(2.0, delay_s=3600.0 * 90))  # heard four days later
    recorder.add("a", row(95.0))
    assert record(recorder, 96.0).recent.time_s.tolist() == [START_S + 7200.0, START_S + 95 * 3600.0]


@pytest.mark.parametrize(("delay_s", "heard_h"), [(5.0, 3.0), (-1800.0, 2.5)])
def test_a_clock_that_runs_ahead_is_no_proof_of_life_in_the_future(delay_s: float, heard_h: float) -> None:
    recorder = Recorder(job())
    recorder.add("a", row(3.0, delay_s=delay_s))
    recorder.add("a", row(1.0))
    assert record(recorder, 4.0).last_seen_s == START_S + 3600.0 * heard_h


def test_a_stay_without_readings_is_empty_and_never_heard() -> None:
    found = record(Recorder(job()), 4.0)
    assert (len(found.recent), len(found.hourly), found.last_seen_s) == (0, 0, None)
