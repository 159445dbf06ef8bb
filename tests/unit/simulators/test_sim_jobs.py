"""Every family makes whole jobs: replayable, the same again from the same seed, with truth inside the job's time."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from monitord.model.job_files.files import load_job_file
from monitord.replay.run import read_arrivals
from simulators.jobs.families import FAMILIES
from simulators.jobs.job_generator import JobMaker, SimulatedJob
from simulators.jobs.replay_files import write_job
from simulators.jobs.sampling import sample_scenario
from simulators.jobs.sampling_days import add_ordinary_days, add_probes
from simulators.jobs.sampling_faults import draw_fault
from simulators.probes.faults import FAULT_KINDS
from simulators.truth.records import as_json

DAY_S = 86_400.0


@cache
def short_job(family: str, seed: int = 1) -> SimulatedJob:
    """As `generate`, but of ten days: enough for every family's events."""
    chosen, root = FAMILIES[family], np.random.SeedSequence(seed)
    streams = [np.random.default_rng(s) for s in root.spawn(4)]
    scenario = sample_scenario(family, seed, replace(chosen.needs, days=(10, 10)), streams[0])
    add_ordinary_days(scenario, streams[1])
    add_probes(scenario, streams[2])
    chosen.alter(scenario, streams[3])
    return JobMaker(scenario, chosen.about, root, horizon_days=8).make()


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_a_family_makes_a_job_that_replay_accepts(family: str, tmp_path: Path) -> None:
    made = short_job(family)
    write_job(tmp_path, made.job, made.readings, made.truth)
    job = load_job_file(tmp_path / "job.json")
    arrivals = read_arrivals(tmp_path / "readings.csv")
    assert 2 <= len(job.locations) <= 20
    assert len(arrivals.rows) == len(made.readings) > 1000
    assert arrivals.received_s == sorted(arrivals.received_s)
    assert arrivals.received_s[-1] <= job.end.timestamp()  # type: ignore[union-attr]
    assert set(arrivals.probes) <= {placement.probe for placement in job.probes}
    assert json.loads((tmp_path / "truth.json").read_text())["family"] == family


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_truth_lies_inside_the_job(family: str) -> None:
    truth = short_job(family).truth
    hours = round((truth.end_s - truth.start_s) / 3600.0)
    for location in truth.locations.values():
        spans = [
            *location.slow,
            *location.never_in_this_air,
            *location.goal_met,
            *location.watched,
            *location.air_wetting,
        ]
        spans += [(s.from_s, s.to_s) for s in (*location.stalls, *location.condensation)]
        assert all(truth.start_s - 2 * DAY_S <= a <= b <= truth.end_s + 3600.0 for a, b in spans)
        assert {len(location.metric), len(location.air_equilibrium), len(location.concrete_rh)} <= {0, hours}
        if location.eta_reason == "met":
            assert location.eta_s is not None
            assert location.goal_met
        if location.goal is not None:
            assert location.eta_reason in {"met", "later", "never", "beyond_horizon"}


def test_the_same_seed_gives_the_same_job() -> None:
    first = short_job("mixed", 5)
    second = short_job.__wrapped__("mixed", 5)
    assert first.job == second.job
    assert as_json(first.truth) == as_json(second.truth)
    assert np.array_equal(first.readings.relative_humidity_pct, second.readings.relative_humidity_pct)
    assert np.array_equal(first.readings.received_s, second.readings.received_s)


def test_another_seed_gives_another_job() -> None:
    assert short_job("leak", 1).job != short_job("leak", 2).job


def test_readings_tell_what_is_there() -> None:
    """Apart from faults and the first hours, the median error of each probe lies within its accuracy and its lag."""
    made = short_job("healthy", 3)
    placements = {placement.probe: placement for placement in made.scenario.placements}
    for k, probe in enumerate(made.readings.probes):
        history = made.histories[placements[probe].location]
        mine = (made.readings.probe == k) & (made.readings.time_s > placements[probe].from_s + DAY_S)
        true = np.interp(made.readings.time_s[mine], made.time_s, history.humidity_pct)
        accuracy = next(p.accuracy_pct for p in made.scenario.probes if p.id == probe)
        assert abs(float(np.median(made.readings.relative_humidity_pct[mine] - true))) < accuracy + 0.5


def test_a_leak_is_told_with_its_onset_and_when_it_was_felt() -> None:
    found = [r for seed in (1, 2) for t in short_job("leak", seed).truth.locations.values() for r in t.rewetting]
    assert found
    assert all(r.cause == "leak" for r in found)
    assert all(r.felt_s is None or r.felt_s >= r.onset_s for r in found)
    assert any(r.felt_s is not None and r.peak_rise_pct > 3.0 for r in found)


def test_the_told_temperature_factor_is_that_of_the_surface() -> None:
    """On daily means, f_Rsi = (surface - outdoor)/(room - outdoor) (EN ISO 13788), within what the lag leaves."""
    made = short_job("condensation", 2)
    outdoor = made.histories["outdoor"].temperature_c.reshape(-1, 144).mean(axis=1)[2:]
    seen = 0
    for location in made.scenario.locations:
        surface = made.histories[location.id].surface_c
        if location.kind in ("room_air", "surface") and location.f_rsi is not None and surface is not None:
            room = made.histories[location.part].temperature_c.reshape(-1, 144).mean(axis=1)[2:]
            found = (surface.reshape(-1, 144).mean(axis=1)[2:] - outdoor) / (room - outdoor)
            assert float(np.median(found)) == pytest.approx(location.f_rsi, abs=0.03)
            seen += 1
    assert seen


def test_humid_weather_is_no_leak() -> None:
    for location in short_job("airing").truth.locations.values():
        assert location.rewetting == []


def test_a_stopped_machine_is_told_with_its_effect() -> None:
    lost = [x for seed in (1, 2, 3) for x in short_job("machine_failure", seed).truth.drive_lost]
    assert any(x.cause == "machine_off" and x.matters and x.felt_s is not None for x in lost)


def test_the_sound_building_has_nothing_to_tell() -> None:
    truth = short_job("sound").truth
    assert truth.drive_lost == []
    assert truth.probe_faults == []
    for location in truth.locations.values():
        assert location.goal is None
        assert location.rewetting == []
        assert location.stalls == []


def test_condensation_happens_in_its_family() -> None:
    made = short_job("condensation", 2)
    assert any(location.condensation for location in made.truth.locations.values())


def test_outages_are_told_as_silences_of_every_probe() -> None:
    made = short_job("outage_backlog", 2)
    out = [s for s in made.truth.silences if s.cause == "outage"]
    assert made.truth.outages
    assert len({s.probe for s in out}) >= len(made.job["locations"]) - 2


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_every_kind_of_fault_can_be_drawn(kind: str) -> None:
    rng = np.random.default_rng(0)
    scenario = sample_scenario("probe_fault", 0, FAMILIES["probe_fault"].needs, rng)
    add_probes(scenario, rng)
    fault = next(f for f in (draw_fault(scenario, rng, kind, set()) for _ in range(20)) if f is not None)
    assert fault.kind == kind
    assert scenario.start_s < fault.start_s < fault.end_s


def test_families_draw_many_climates_and_sizes() -> None:
    scenarios = [sample_scenario("x", s, FAMILIES["healthy"].needs, np.random.default_rng(s)) for s in range(40)]
    assert len({p.climate.name for p in scenarios}) >= 6
    assert len({len(p.locations) for p in scenarios}) >= 6
    assert {p.kind for scenario in scenarios for p in scenario.locations} == {
        "room_air", "outdoor_air", "cavity", "subfloor_void", "slab_sleeve", "surface",
    }  # fmt: skip
