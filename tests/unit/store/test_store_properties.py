"""Whatever the order of arrival, the repeats and the batches: the same readings give the same store."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, event, select

from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.readings import Reading
from monitord.model.series import JobRecord
from monitord.store import jobs, pending_jobs
from monitord.store.db.database import Database
from monitord.store.db.tables import heard, hourly, metadata, probe_name, reading
from monitord.store.db.times import to_ms
from monitord.store.series import rollups
from monitord.store.series.kept_records import KeptRecord
from monitord.store.series.readings import insert_batch, load_job_record

T0 = datetime(2025, 3, 1, tzinfo=UTC)
JOB = JobFile(
    job="J1",
    start=T0,
    locations=(Location(id="a", kind=LocationKind.CAVITY), Location(id="b", kind=LocationKind.CAVITY)),
    probes=(
        Placement(probe="p1", location_id="a", from_time=T0, to_time=T0 + timedelta(hours=2, minutes=30)),
        Placement(probe="p1", location_id="b", from_time=T0 + timedelta(hours=2, minutes=30)),
        Placement(probe="p2", location_id="a", from_time=T0 + timedelta(minutes=20)),
    ),
)
AS_OF = [T0 + timedelta(minutes=minutes) for minutes in (90, 200, 60 * 24 * 5)]

value = st.one_of(st.floats(-60, 100).map(lambda v: round(v, 1)), st.floats(-60, 100))


@st.composite
def a_reading(draw: st.SampleFn) -> Reading:
    time = T0 + timedelta(minutes=draw(st.integers(-30, 240)), milliseconds=draw(st.sampled_from([0, 0, 1, 500])))
    return Reading(
        probe=draw(st.sampled_from(["p1", "p2"])),
        time=time,
        temperature_c=draw(value),
        relative_humidity_pct=draw(value),
        surface_temperature_c=draw(st.none() | value),
        battery_v=draw(st.none() | st.just(3.0)),
        received_at=time + timedelta(seconds=draw(st.sampled_from([-7200, -5, 3, 3, 4000, 300_000]))),
    )


some_readings = st.lists(a_reading(), max_size=40, unique_by=lambda r: (r.probe, r.time))


@st.composite
def two_arrivals(draw: st.SampleFn) -> tuple[list[list[Reading]], list[list[Reading]]]:
    """The same readings twice: each time in an order, with repeats and in batches of its own."""
    readings = draw(some_readings)
    return _arrival(draw, readings), _arrival(draw, readings)


def _arrival(draw: st.SampleFn, readings: list[Reading]) -> list[list[Reading]]:
    repeats = draw(st.lists(st.sampled_from(readings), max_size=10)) if readings else []
    return _batches(draw, draw(st.permutations(readings + repeats)))


def _batches(draw: st.SampleFn, arrivals: list[Reading]) -> list[list[Reading]]:
    cuts = sorted(draw(st.lists(st.integers(0, len(arrivals)), max_size=6)))
    return [arrivals[a:b] for a, b in zip([0, *cuts], [*cuts, len(arrivals)], strict=True)]


KEPT = frozenset(
    (
        "probe_name",
        "gateway_name",
        "reading",
        "hourly",
        "touched_hour",
        "heard",
        "quarantine",
        "mark",
        "placement",
        "job",
    )
)


def emptied(conn: Connection) -> None:
    for table in reversed(metadata.sorted_tables):
        if table.name in KEPT:
            conn.execute(table.delete())


def stored(conn: Connection) -> dict[str, Any]:
    """Rows of the tables by the name of their probe; which number it got depends on the order of arrival."""
    return {
        table.name: sorted(
            (name, *row[1:])
            for name, *row in conn.execute(
                select(probe_name.c.name, table).join_from(table, probe_name, probe_name.c.id == table.c.probe_id)
            )
        )
        for table in (reading, hourly, heard)
    }


def assert_same_record(one: JobRecord, other: JobRecord) -> None:
    for a, b in zip(one.placements, other.placements, strict=True):
        assert a.last_seen_s == b.last_seen_s
        for part in ("recent", "hourly"):
            for field in dataclasses.fields(getattr(a, part)):
                np.testing.assert_array_equal(
                    getattr(getattr(a, part), field.name), getattr(getattr(b, part), field.name), err_msg=field.name
                )


DATABASE = Database.open("sqlite://")
"""Shared by all examples, since each empties it: opening one takes longer than an example does."""


def taken_in(batches: list[list[Reading]], *, renewing: bool) -> tuple[dict[str, Any], list[JobRecord]]:
    with DATABASE.write() as conn:
        emptied(conn)
        jobs.apply_job(conn, JOB)
        for batch in batches:
            insert_batch(conn, batch)
            if renewing:
                rollups.renew(conn, to_ms(T0 + timedelta(hours=2)))
        records = [load_job_record(conn, JOB, as_of, recent_h=1.5) for as_of in AS_OF]
        rollups.renew(conn, to_ms(AS_OF[-1]))
        return stored(conn), records


@settings(max_examples=120, deadline=None)
@given(two_arrivals())
def test_order_repeats_and_batches_change_nothing(arrivals: tuple[list[list[Reading]], list[list[Reading]]]) -> None:
    """Readings, roll-ups, last heard, and the record as of three times are the same, rolled up in between or not."""
    one, other = taken_in(arrivals[0], renewing=False), taken_in(arrivals[1], renewing=True)
    assert one[0] == other[0]
    for record, same in zip(one[1], other[1], strict=True):
        assert_same_record(record, same)


@st.composite
def contradictory_arrivals(draw: st.SampleFn) -> list[Reading]:
    times = [T0, T0 + timedelta(minutes=1), T0 + timedelta(hours=1)]
    return draw(
        st.lists(
            st.builds(
                Reading,
                probe=st.just("p1"),
                time=st.sampled_from(times),
                temperature_c=st.sampled_from([1.0, 2.0]),
                relative_humidity_pct=st.just(50.0),
                received_at=st.just(T0 + timedelta(hours=2)),
            ),
            max_size=12,
        )
    )


@settings(max_examples=60, deadline=None)
@given(contradictory_arrivals(), st.data())
def test_of_contradicting_readings_the_first_to_come_is_kept_however_they_are_batched(
    arrivals: list[Reading], data: st.DataObject
) -> None:
    """And nothing is uncounted: inserted, repeated and contradicting make up all that came."""
    first = {r.time: r.temperature_c for r in reversed(arrivals)}
    with DATABASE.write() as conn:
        emptied(conn)
        results = [insert_batch(conn, batch) for batch in _batches(data.draw, arrivals)]
        kept = {time_ms: t for time_ms, t in conn.execute(select(reading.c.time_ms, reading.c.temperature_c))}
    assert kept == {round(time.timestamp() * 1000): t for time, t in first.items()}
    assert sum(r.inserted for r in results) == len(first)
    assert sum(len(r.conflicts) for r in results) == sum(r.temperature_c != first[r.time] for r in arrivals)
    assert sum(r.inserted + r.repeats + len(r.conflicts) for r in results) == len(arrivals)


@settings(max_examples=60, deadline=None)
@given(some_readings)
def test_a_job_is_marked_if_and_only_if_a_reading_lies_in_an_hour_of_its_stays(readings: list[Reading]) -> None:
    """Marking by the hour may ask once too often, but never misses a reading."""
    with DATABASE.write() as conn:
        emptied(conn)
        jobs.apply_job(conn, JOB)
        ((name, mark),) = pending_jobs.marked_jobs(conn)
        pending_jobs.clear_mark(conn, name, mark)
        insert_batch(conn, readings)
        marked = bool(pending_jobs.marked_jobs(conn))
    covered = any(placement.probe == r.probe and placement.covers(r.time) for placement in JOB.probes for r in readings)
    hour_begins = [(r.probe, r.time.replace(minute=0, second=0, microsecond=0)) for r in readings]
    near = any(
        placement.probe == probe
        and placement.from_time < hour + timedelta(hours=1)
        and (not placement.to_time or hour < placement.to_time)
        for placement in JOB.probes
        for probe, hour in hour_begins
    )
    assert covered <= marked <= near


@st.composite
def days_of_rounds(draw: st.SampleFn) -> list[tuple[list[Reading], list[int], datetime, bool]]:
    """Rounds in which some readings land, those at some places as retained; then a time of assessment, often later."""
    shifts = st.integers(0, 5).map(lambda days: timedelta(days=days))
    readings = [
        r.model_copy(update={"time": r.time + shift, "received_at": r.received_at + shift})
        for r in draw(some_readings)
        for shift in [draw(shifts)]
    ]
    as_of, rounds = T0, []
    for batch in _batches(draw, draw(st.permutations(readings))):
        as_of += timedelta(minutes=draw(st.sampled_from([0, 10, 60, 60, 150, 1440, 4000, -100])))
        rounds.append((batch, draw(st.lists(st.integers(0, 40), max_size=3)), as_of, draw(st.booleans())))
    return rounds


@settings(max_examples=50, deadline=None)
@given(days_of_rounds())
def test_what_is_kept_between_rounds_is_what_is_read_from_scratch(
    rounds: list[tuple[list[Reading], list[int], datetime, bool]],
) -> None:
    """Late readings, backlogs, clocks that run ahead, replays, hours that others roll up, a clock that goes back."""
    kept = KeptRecord()
    with DATABASE.write() as conn:
        emptied(conn)
        jobs.apply_job(conn, JOB)
        for batch, retained, as_of, renewing in rounds:
            insert_batch(conn, batch, frozenset(retained))
            if renewing:
                rollups.renew(conn, to_ms(as_of))
            assert_same_record(kept.load(conn, JOB, as_of), load_job_record(conn, JOB, as_of))


def plain(minutes: float, came_min: float) -> Reading:
    time, received_at = (T0 + timedelta(minutes=m) for m in (minutes, came_min))
    return Reading(
        probe="p1", time=time, temperature_c=20.0 + came_min, relative_humidity_pct=50.0, received_at=received_at
    )


@pytest.mark.parametrize(
    ("rolled_up_min", "as_of_min"),
    [
        pytest.param([125, 125, 125], [70, 125, 65], id="the clock goes back"),
        pytest.param([125, 125, 125], [65, 100, 125], id="another process has rolled up what came after"),
        pytest.param([0, 0, 125], [65, 125, 126], id="rolled up late"),
    ],
)
def test_what_is_kept_is_no_more_than_was_known(rolled_up_min: list[int], as_of_min: list[int]) -> None:
    kept = KeptRecord()
    with DATABASE.write() as conn:
        emptied(conn)
        jobs.apply_job(conn, JOB)
        insert_batch(conn, [plain(0, 1), plain(10, 11), plain(50, 90), plain(62, 63), plain(110, 111)])
        for rolled_up, as_of in zip(rolled_up_min, as_of_min, strict=True):
            rollups.renew(conn, to_ms(T0 + timedelta(minutes=rolled_up)))
            time = T0 + timedelta(minutes=as_of)
            assert_same_record(kept.load(conn, JOB, time), load_job_record(conn, JOB, time))


def test_a_round_reads_what_came_and_no_more() -> None:
    """No statement looks at the hours behind; the last asks when the probe was seen in its ended placement."""
    with DATABASE.write() as conn:
        emptied(conn)
        jobs.apply_job(conn, JOB)
        insert_batch(conn, [reading for hour in range(3, 150) for reading in [plain(60 * hour, 60 * hour)]])
        rollups.renew(conn, to_ms(T0 + timedelta(hours=150)))
        kept = KeptRecord()
        kept.load(conn, JOB, T0 + timedelta(hours=150))
        insert_batch(conn, [plain(60 * 150 + 5, 60 * 150 + 5)])
        statements: list[str] = []
        event.listen(conn, "before_cursor_execute", lambda *call: statements.append(call[2]))
        kept.load(conn, JOB, T0 + timedelta(hours=150, minutes=6))
    assert len(statements) == 5
    assert not [statement for statement in statements if "hourly" in statement]
    assert kept.nbytes < 40_000
