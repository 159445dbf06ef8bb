"""An assessment depends on the set of readings and the time alone: not on arrival order, repeats or memory."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.assess import AssessmentCache, assess_job
from monitord.model.assessments import DepthVerdict, JobAssessment, SourceKind, State
from monitord.model.jobs import Calibration, Goal, GoalMetric, JobFile, Location, LocationKind, Placement
from monitord.model.series import JobRecord
from monitord.replay.recorder import Recorder, Row

START = datetime(2026, 3, 2, tzinfo=UTC)
START_S = START.timestamp()
DAYS = 17
NAN = float("nan")


@lru_cache(maxsize=1)
def house() -> JobFile:
    """A room, the weather, a wet cavity that dries, a sleeve that settles, and a deeper one that stays wet."""
    rh = Goal(metric=GoalMetric.RH, limit=65.0)
    concrete = Goal(metric=GoalMetric.EQUILIBRIUM_RH, limit=75.0)
    slab = {"kind": LocationKind.SLAB_SLEEVE, "slab_thickness_mm": 120.0, "drying_sides": 1, "sealed_at": START}
    locations = (
        Location(id="room", kind=LocationKind.ROOM_AIR),
        Location(id="yard", kind=LocationKind.OUTDOOR_AIR),
        Location(id="wall", kind=LocationKind.CAVITY, goal=rh, reference="room", f_rsi=0.75),
        Location(id="slab-48", depth_mm=48.0, goal=concrete, **slab),
        Location(id="slab-96", depth_mm=96.0, **slab),
    )
    return JobFile(
        job="mill-3",
        start=START,
        end=START + timedelta(days=60),
        locations=locations,
        probes=tuple(
            Placement(probe=f"p-{p.id}", location_id=p.id, from_time=START, interval_s=1800.0) for p in locations
        ),
        calibrations=(
            Calibration(probe="p-wall", at=START + timedelta(days=2), relative_humidity_correction_pct=-1.0),
        ),
    )


def climate(location: str, hours: float) -> tuple[float, float]:
    """Temperature and humidity at a place. [°C], [%]"""
    day = np.sin(2 * np.pi * hours / 24.0)
    if location == "room":
        return 20.0 + 0.5 * day, 42.0 + day
    if location == "yard":
        return 6.0 + 4.0 * day, 78.0 - 8.0 * day
    if location == "wall":
        return 15.0 + day, 62.0 + 33.0 * np.exp(-hours / 150.0)
    if location == "slab-48":
        return 17.0 + 0.2 * day, 86.0 - 30.0 * np.exp(-hours / 12.0) - 0.01 * hours
    return 17.0, 95.0 - 30.0 * np.exp(-hours / 12.0)


@lru_cache(maxsize=1)
def readings() -> tuple[tuple[str, Row], ...]:
    """Seventeen days at half an hour: noise, a gap, a backlog of a day, and a clock that is twenty minutes ahead."""
    rng = np.random.default_rng(7)
    rows = []
    for location in house().locations:
        for k in range(48 * DAYS):
            hours = k / 2.0
            if location.id == "yard" and 100 <= hours < 110:
                continue
            t, rh = climate(location.id, hours)
            stamp = START_S + 3600.0 * hours
            received = stamp + 2.0
            if location.id == "wall" and 200 <= hours < 224:
                received = START_S + 3600.0 * 224.0 + k
            if location.id == "slab-96" and hours > 300:
                received = stamp - 1200.0
            values = (t + 0.03 * rng.standard_normal(), float(np.clip(rh + 0.15 * rng.standard_normal(), 0, 100)))
            rows.append((f"p-{location.id}", (stamp, *values, NAN, NAN, received)))
    return tuple(rows)


def recorded(until_h: float, mix: random.Random | None = None, repeats: int = 0) -> JobRecord:
    """The record of what had arrived, in order of arrival, or mixed with repeats."""
    as_of = START_S + 3600.0 * until_h
    known = sorted((r for r in readings() if r[1][5] <= as_of), key=lambda r: (r[1][5], r[0]))
    recorder = Recorder(house())
    if mix is not None:
        known += [mix.choice(known) for _ in range(repeats if known else 0)]
        mix.shuffle(known)
    for probe, row in known:
        recorder.add(probe, row)
    return recorder.record(as_of)


def assessed(record: JobRecord, until_h: float, cache: AssessmentCache | None = None) -> JobAssessment:
    return assess_job(house(), record, START + timedelta(hours=until_h), cache=cache)


@settings(max_examples=4, deadline=None)
@given(st.sampled_from([3.0, 50.25, 130.0, 223.0, 225.5, 400.0]), st.integers(0, 500), st.integers(0, 2**32))
def test_neither_order_of_arrival_nor_repeats_change_an_assessment(until_h: float, repeats: int, seed: int) -> None:
    expected = assessed(recorded(until_h), until_h)
    found = assessed(recorded(until_h, random.Random(seed), repeats), until_h)
    assert found.model_dump_json() == expected.model_dump_json()


@pytest.mark.parametrize(
    ("first_h", "step_h", "steps"),
    [(46.0, 1.0, 5), (196.5, 7.3, 4), (300.0, 0.5, 3)],
)
def test_memory_changes_no_assessment(first_h: float, step_h: float, steps: int) -> None:
    """Also across the arrival of a backlog, and at times that are not full hours."""
    cache = AssessmentCache()
    for k in range(steps):
        until_h = first_h + k * step_h
        record = recorded(until_h)
        with_memory = assessed(record, until_h, cache).model_dump_json()
        assert with_memory == assessed(record, until_h).model_dump_json()


def test_what_is_stored_after_the_time_asked_about_is_not_in_it() -> None:
    early = assessed(recorded(130.0), 130.0)
    assert early.last_reading_at is not None
    assert early.last_reading_at <= early.as_of


def test_before_goals_are_first_assessed_none_is_denied() -> None:
    found = assessed(recorded(3.0), 3.0)
    states = {location.location: location.state for location in found.locations}
    assert states["wall"] is State.TOO_EARLY
    assert states["room"] is State.RECORDED_ONLY


def test_leaving_out_comparisons_changes_no_finding() -> None:
    record = recorded(400.0)
    full = assessed(record, 400.0)
    lean = assess_job(house(), record, START + timedelta(hours=400.0), compared=False)
    assert lean.findings == full.findings
    assert [(p.state, p.drying, p.forecast, p.surface) for p in lean.locations] == [
        (p.state, p.drying, p.forecast, p.surface) for p in full.locations
    ]
    assert all(not p.comparisons and p.source is None for p in lean.locations)


def test_every_place_is_told_with_its_comparisons() -> None:
    found = assessed(recorded(400.0), 400.0)
    roles = {location.location: [c.role for c in location.comparisons] for location in found.locations}
    assert roles == {
        "room": ["outdoors"],
        "yard": [],
        "wall": ["room", "outdoors"],
        "slab-48": ["room", "outdoors", "depth"],
        "slab-96": ["room", "outdoors", "depth"],
    }
    sources = {location.location: location.source for location in found.locations if location.source is not None}
    assert set(sources) == {"wall"}
    # 15 °C at 64 %: 1 090 Pa, over the room's 980 and outdoors' 730: too little over the room for such probes to tell
    assert sources["wall"].kind in (SourceKind.FROM_INSIDE, SourceKind.FROM_CONSTRUCTION)
    deep = found.at("slab-96")
    assert deep is not None
    assert deep.comparisons[-1].depths is not None
    assert deep.comparisons[-1].depths.verdict is DepthVerdict.DEEPER_WETTER


def test_a_job_of_which_nothing_was_heard_is_not_known_and_no_error() -> None:
    found = assessed(Recorder(house()).record(START_S + 3600.0), 1.0)
    assert {location.state for location in found.locations} == {State.NO_DATA}
    assert found.last_reading_at is None
