"""Simulated jobs with known truth: `generate(family, seed)`, and the same as a command.

python -m simulators.jobs --family leak --seed 3 --out DIR
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simulators.building import events as ev
from simulators.building.climate import make_weather
from simulators.building.simulation import SimulatedHistory, Simulation
from simulators.building.structure import Building
from simulators.jobs.replay_files import job_dict
from simulators.probes.gateway import Readings, deliver
from simulators.probes.measuring import measure
from simulators.rolling import block_means, runs
from simulators.scenario import EQUILIBRIUM_RH, SPIN_UP_S, STEP_S, Location, Scenario
from simulators.truth.drying import air_edges, air_end, label_goal, label_progress, never_spans
from simulators.truth.events import air_wetting, condensation, drives_lost, mould_hours, rewetting
from simulators.truth.goals import METRIC_PER_PCT, choose_limit
from simulators.truth.ground_truth import Hourly, LocationHistory, as_location, hourly_metric, location_histories
from simulators.truth.probes import probe_faults, silences, watched
from simulators.truth.records import LocationTruth, Truth

HORIZON_DAYS = 180
"""How far a job is simulated beyond its end."""
_EVERY = 12
"""Length of the steps beyond the end, in ten-minute steps."""
_WATER = frozenset({ev.LEAK, ev.GROUND_RISE})
_DRIVE = frozenset({ev.MACHINE_OFF, ev.HEATING_OFF, ev.WINDOW_OPEN})


@dataclass(frozen=True)
class SimulatedJob:
    """A job with its readings and its truth."""

    family: str
    seed: int
    job: dict[str, Any]
    """What job.json holds."""
    readings: Readings
    truth: Truth
    scenario: Scenario
    histories: dict[str, LocationHistory]
    """What really is at each location, at each ten minutes of `time_s`; a sleeve's is that of its air."""
    time_s: np.ndarray[Any, np.dtype[np.float64]]


class JobMaker:
    """Makes one job; each random part has its own stream, so that a change in one leaves the others alone.

    Parameters
    ----------
    about : what the job is about, in a few words.
    horizon_days : how far it is simulated beyond its end.
    """

    def __init__(
        self, scenario: Scenario, about: str, seeds: np.random.SeedSequence, horizon_days: int = HORIZON_DAYS
    ) -> None:
        self.scenario, self.about, self._horizon_days = scenario, about, horizon_days
        scenario.match_factors()
        of_weather, of_probes, self._seed_of_air = seeds.spawn(3)
        self._of_probes = np.random.default_rng(of_probes)
        n = round((self.scenario.length_s + SPIN_UP_S) / STEP_S)
        self.weather = make_weather(
            scenario.climate, scenario.zone, np.random.default_rng(of_weather), scenario.start_s - SPIN_UP_S, n, STEP_S,
            tuple(scenario.spells),
        )  # fmt: skip

    def simulate(self, without: frozenset[str] = frozenset()) -> tuple[Building, Simulation, SimulatedHistory]:
        """March the building; `without`: leave out events of these kinds that are not benign."""
        building = self.scenario.building(without)
        simulation = Simulation(building, self.weather, np.random.default_rng(self._seed_of_air))
        return building, simulation, simulation.run()

    def make(self) -> SimulatedJob:
        """Simulate the building, choose the goals, let the probes measure, and write down what is true."""
        scenario = self.scenario
        building, simulation, history = self.simulate()
        beyond = self._beyond(simulation)
        concrete = location_histories(scenario, building, history, with_sleeve=False)
        later = location_histories(scenario, building, beyond, with_sleeve=False)
        hourly = {p.id: self._goal(p, concrete, later, beyond) for p in scenario.locations}
        histories = location_histories(scenario, building, history)
        readings = self._readings(histories, history)
        truth = Truth(scenario.family, scenario.seed, self.about, scenario.start_s, scenario.end_s)
        no_water, no_loss = self._others()
        dry = location_histories(scenario, no_water[0], no_water[1], with_sleeve=False) if no_water else None
        nodes = {room.id: building.node(room.id) for room in scenario.rooms}
        truth.drive_lost = drives_lost(scenario, history, no_loss[1] if no_loss else None, nodes)
        truth.probe_faults, truth.silences = probe_faults(scenario), silences(scenario, readings)
        truth.outages = [(o.start_s, o.end_s) for o in scenario.outages]
        truth.spells = [(s.start_s, s.end_s) for s in scenario.spells]
        for location in scenario.locations:
            truth.locations[location.id] = self._label(
                location,
                building,
                simulation,
                concrete,
                histories,
                hourly[location.id],
                None if dry is None else dry[location.id],
            )
            truth.locations[location.id].watched = watched(scenario, location.id, truth.silences)
        return SimulatedJob(
            scenario.family,
            scenario.seed,
            job_dict(scenario),
            readings,
            truth,
            scenario,
            histories,
            self.weather.time_s,
        )

    def _beyond(self, simulation: Simulation) -> SimulatedHistory:
        """What comes after the end if the conditions since the last change, two to ten days of them, go on."""
        scenario = self.scenario
        changes = [t for e in scenario.events if not e.benign for t in (e.start_s, e.end_s) if t < scenario.end_s]
        since = (scenario.end_s - max(changes, default=scenario.start_s)) / 86_400.0
        days = int(np.clip(since, 2, 10))
        first = len(self.weather.time_s) - days * 144
        return simulation.run_on(first, _EVERY, self._horizon_days * 144 // _EVERY, scenario.end_s)

    def _others(self) -> tuple[tuple[Building, SimulatedHistory] | None, tuple[Building, SimulatedHistory] | None]:
        """The same job without its water, and without its losses of drive, where it has any."""
        out: list[tuple[Building, SimulatedHistory] | None] = []
        for kinds in (_WATER, _DRIVE):
            if any(e.kind in kinds and not e.benign for e in self.scenario.events):
                building, _, history = self.simulate(kinds)
                out.append((building, history))
            else:
                out.append(None)
        return out[0], out[1]

    def _goal(
        self,
        location: Location,
        histories: dict[str, LocationHistory],
        later: dict[str, LocationHistory],
        beyond: SimulatedHistory,
    ) -> Hourly | None:
        """Choose the limit of a location's goal; its metric hour by hour."""
        wish = location.wish
        if wish is None or wish.metric not in histories[location.id].metric:
            location.wish = None
            return None
        hourly = hourly_metric(
            histories[location.id].metric[wish.metric], self.weather.time_s[0], later[location.id].metric[wish.metric],
            self.scenario.end_s, _EVERY * STEP_S, wish.window_h,
        )  # fmt: skip
        limit = choose_limit(wish, hourly, self.scenario.start_s, self.scenario.end_s)
        location.goal = {"metric": wish.metric, "limit": limit, "window_h": wish.window_h}
        return hourly

    def _readings(self, histories: dict[str, LocationHistory], history: SimulatedHistory) -> Readings:
        scenario, rng, sent = self.scenario, self._of_probes, []
        for placement in scenario.placements:
            probe = next(p for p in scenario.probes if p.id == placement.probe)
            location = next((p for p in scenario.locations if p.id == placement.location), None)
            room = scenario.room_of(location) if location is not None else None
            hands = as_location(histories[room if room is not None else scenario.rooms[0].id], history.time_s, False)
            probed = (
                hands
                if location is None
                else as_location(histories[location.id], history.time_s, location.surface_sensor)
            )
            faults = [f for f in scenario.faults if f.probe == probe.id]
            sent.append((probe.id, measure(probe, placement, probed, hands, faults, scenario.end_s, rng)))
        return deliver(sent, scenario.outages, scenario.link, scenario.end_s, rng)

    def _label(
        self,
        location: Location,
        building: Building,
        simulation: Simulation,
        concrete: dict[str, LocationHistory],
        histories: dict[str, LocationHistory],
        hourly: Hourly | None,
        dry: LocationHistory | None,
    ) -> LocationTruth:
        scenario, time_s, job = self.scenario, self.weather.time_s, (self.scenario.start_s, self.scenario.end_s)
        truth = LocationTruth(location.kind, location.goal)
        history = concrete[location.id]
        spin = round(SPIN_UP_S / 3600.0)
        truth.rewetting = rewetting(location, history, dry, time_s, scenario)
        truth.condensation = condensation(history, time_s, job)
        if location.kind in ("cavity", "subfloor_void"):
            truth.air_wetting = air_wetting(history, time_s, job, truth.rewetting)
            truth.timber_pct = block_means(history.metric["timber_mc_pct"], 6)[spin:].tolist()
        if location.sleeve is None:
            truth.mould_index = mould_hours(history, slice(spin, None))
        else:
            _label_sleeve(truth, location, history, histories[location.id], time_s, spin, job)
        if location.goal is None or hourly is None:
            return truth
        room_id = scenario.room_of(location)
        end = air_end(location, scenario, building, simulation, concrete, concrete[room_id]) if room_id else np.empty(0)
        limit = float(location.goal["limit"])  # type: ignore[arg-type]
        label_goal(truth, hourly, limit, *job, end)
        if len(end):
            never_spans(truth, hourly, limit, end, air_edges(scenario, float(time_s[0])), job)
        near = {location.part, room_id, location.sleeve.slab if location.sleeve is not None else None}
        touching = [e for e in scenario.events if not e.benign and e.target in near]
        wetting = [(w.onset_s, w.over_s) for w in truth.rewetting if w.cause == "leak"]
        unit = METRIC_PER_PCT.get(str(location.goal["metric"]), 1.0)
        label_progress(truth, hourly, limit, end, touching, wetting, job, unit)
        return truth


def _label_sleeve(
    truth: LocationTruth,
    location: Location,
    concrete: LocationHistory,
    air: LocationHistory,
    time_s: np.ndarray[Any, np.dtype[np.float64]],
    spin: int,
    job: tuple[float, float],
) -> None:
    """Fill in the concrete's humidity, the sleeve's, and when the two came together."""
    assert location.sleeve is not None
    true_rh = concrete.metric[EQUILIBRIUM_RH]
    truth.concrete_rh = block_means(true_rh, 6)[spin:].tolist()
    truth.sleeve_rh = block_means(air.humidity_pct, 6)[spin:].tolist()
    truth.openings = [s for s in location.sleeve.openings if s[0] < job[1]]
    apart = np.abs(air.humidity_pct - true_rh) > 1.0
    spans = location.sleeve.open_spans()
    for k, (_, closed) in enumerate(spans):
        until = spans[k + 1][0] if k + 1 < len(spans) else job[1]
        inside = (time_s >= closed) & (time_s < until)
        far = runs(apart & inside, join=18)
        if not inside.any():
            continue
        settled = far[0][1] if far else int(np.flatnonzero(inside)[0])
        if settled < len(time_s) and time_s[settled] < until:
            truth.settled_s.append(float(time_s[settled]))
