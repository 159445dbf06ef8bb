"""Simulated jobs with known truth: `generate(family, seed)`, and the same as a command.

python -m simulators.jobs --family leak --seed 3 --out DIR
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from simulators.building import events as ev
from simulators.building.climate import make_weather
from simulators.building.simulation import Course, Simulation
from simulators.building.structure import Building
from simulators.jobs.replay_files import job_dict
from simulators.probes.gateway import Readings, deliver
from simulators.probes.measuring import measure
from simulators.rolling import block_means, runs
from simulators.scenario import EQUILIBRIUM_RH, SPIN_UP_S, STEP_S, Location, Plan
from simulators.truth.drying import air_edges, air_end, judge_goal, judge_progress, never_spans
from simulators.truth.events import air_wetting, condensation, drives_lost, mould_hours, rewetting
from simulators.truth.goals import METRIC_PER_PCT, choose_limit
from simulators.truth.ground_truth import Hourly, LocationCourse, as_place, hourly_metric, location_courses
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
    plan: Plan
    courses: dict[str, LocationCourse]
    """What really is at each location, at each ten minutes of `time_s`; a sleeve's is that of its air."""
    time_s: np.ndarray[Any, np.dtype[np.float64]]


class JobMaker:
    """Makes one job; each random part has its own stream, so that a change in one leaves the others alone.

    Parameters
    ----------
    about : what the job is about, in a few words.
    horizon_days : how far it is simulated beyond its end.
    """

    def __init__(self, plan: Plan, about: str, seeds: np.random.SeedSequence, horizon_days: int = HORIZON_DAYS) -> None:
        self.plan, self.about, self._horizon_days = plan, about, horizon_days
        plan.match_factors()
        of_weather, of_probes, self._seed_of_air = seeds.spawn(3)
        self._of_probes = np.random.default_rng(of_probes)
        n = round((self.plan.length_s + SPIN_UP_S) / STEP_S)
        self.weather = make_weather(
            plan.climate, plan.zone, np.random.default_rng(of_weather), plan.start_s - SPIN_UP_S, n, STEP_S,
            tuple(plan.spells),
        )  # fmt: skip

    def simulate(self, without: frozenset[str] = frozenset()) -> tuple[Building, Simulation, Course]:
        """March the building; `without`: leave out events of these kinds that are not benign."""
        building = self.plan.building(without)
        simulation = Simulation(building, self.weather, np.random.default_rng(self._seed_of_air))
        return building, simulation, simulation.run()

    def make(self) -> SimulatedJob:
        """Simulate the building, choose the goals, let the probes measure, and write down what is true."""
        plan = self.plan
        building, simulation, course = self.simulate()
        beyond = self._beyond(simulation)
        concrete = location_courses(plan, building, course, with_sleeve=False)
        later = location_courses(plan, building, beyond, with_sleeve=False)
        hourly = {p.id: self._goal(p, concrete, later, beyond) for p in plan.locations}
        courses = location_courses(plan, building, course)
        readings = self._readings(courses, course)
        truth = Truth(plan.family, plan.seed, self.about, plan.start_s, plan.end_s)
        no_water, no_loss = self._others()
        dry = location_courses(plan, no_water[0], no_water[1], with_sleeve=False) if no_water else None
        nodes = {room.id: building.node(room.id) for room in plan.rooms}
        truth.drive_lost = drives_lost(plan, course, no_loss[1] if no_loss else None, nodes)
        truth.probe_faults, truth.silences = probe_faults(plan), silences(plan, readings)
        truth.outages = [(o.start_s, o.end_s) for o in plan.outages]
        truth.spells = [(s.start_s, s.end_s) for s in plan.spells]
        for place in plan.locations:
            truth.locations[place.id] = self._judge(
                place, building, simulation, concrete, courses, hourly[place.id], None if dry is None else dry[place.id]
            )
            truth.locations[place.id].watched = watched(plan, place.id, truth.silences)
        return SimulatedJob(plan.family, plan.seed, job_dict(plan), readings, truth, plan, courses, self.weather.time_s)

    def _beyond(self, simulation: Simulation) -> Course:
        """What comes after the end if the conditions since the last change, two to ten days of them, go on."""
        plan = self.plan
        changes = [t for e in plan.events if not e.benign for t in (e.start_s, e.end_s) if t < plan.end_s]
        since = (plan.end_s - max(changes, default=plan.start_s)) / 86_400.0
        days = int(np.clip(since, 2, 10))
        first = len(self.weather.time_s) - days * 144
        return simulation.run_on(first, _EVERY, self._horizon_days * 144 // _EVERY, plan.end_s)

    def _others(self) -> tuple[tuple[Building, Course] | None, tuple[Building, Course] | None]:
        """The same job without its water, and without its losses of drive, where it has any."""
        out: list[tuple[Building, Course] | None] = []
        for kinds in (_WATER, _DRIVE):
            if any(e.kind in kinds and not e.benign for e in self.plan.events):
                building, _, course = self.simulate(kinds)
                out.append((building, course))
            else:
                out.append(None)
        return out[0], out[1]

    def _goal(
        self, place: Location, here: dict[str, LocationCourse], later: dict[str, LocationCourse], beyond: Course
    ) -> Hourly | None:
        """Choose the limit of a location's goal; its metric hour by hour."""
        wish = place.wish
        if wish is None or wish.metric not in here[place.id].metric:
            place.wish = None
            return None
        hourly = hourly_metric(
            here[place.id].metric[wish.metric], self.weather.time_s[0], later[place.id].metric[wish.metric],
            self.plan.end_s, _EVERY * STEP_S, wish.window_h,
        )  # fmt: skip
        limit = choose_limit(wish, hourly, self.plan.start_s, self.plan.end_s)
        place.goal = {"metric": wish.metric, "limit": limit, "window_h": wish.window_h}
        return hourly

    def _readings(self, courses: dict[str, LocationCourse], course: Course) -> Readings:
        plan, rng, sent = self.plan, self._of_probes, []
        for stay in plan.stays:
            probe = next(p for p in plan.probes if p.id == stay.probe)
            place = next((p for p in plan.locations if p.id == stay.location), None)
            room = plan.room_of(place) if place is not None else None
            hands = as_place(courses[room if room is not None else plan.rooms[0].id], course.time_s, False)
            here = hands if place is None else as_place(courses[place.id], course.time_s, place.surface_sensor)
            faults = [f for f in plan.faults if f.probe == probe.id]
            sent.append((probe.id, measure(probe, stay, here, hands, faults, plan.end_s, rng)))
        return deliver(sent, plan.outages, plan.link, plan.end_s, rng)

    def _judge(
        self,
        place: Location,
        building: Building,
        simulation: Simulation,
        concrete: dict[str, LocationCourse],
        courses: dict[str, LocationCourse],
        hourly: Hourly | None,
        dry: LocationCourse | None,
    ) -> LocationTruth:
        plan, time_s, job = self.plan, self.weather.time_s, (self.plan.start_s, self.plan.end_s)
        truth = LocationTruth(place.kind, place.goal)
        here = concrete[place.id]
        spin = round(SPIN_UP_S / 3600.0)
        truth.rewetting = rewetting(place, here, dry, time_s, plan)
        truth.condensation = condensation(here, time_s, job)
        if place.kind in ("cavity", "subfloor_void"):
            truth.air_wetting = air_wetting(here, time_s, job, truth.rewetting)
            truth.timber_pct = block_means(here.metric["timber_mc_pct"], 6)[spin:].tolist()
        if place.sleeve is None:
            truth.mould_index = mould_hours(here, slice(spin, None))
        else:
            _judge_sleeve(truth, place, here, courses[place.id], time_s, spin, job)
        if place.goal is None or hourly is None:
            return truth
        room_id = plan.room_of(place)
        end = air_end(place, plan, building, simulation, concrete, concrete[room_id]) if room_id else np.empty(0)
        limit = float(place.goal["limit"])  # type: ignore[arg-type]
        judge_goal(truth, hourly, limit, *job, end)
        if len(end):
            never_spans(truth, hourly, limit, end, air_edges(plan, float(time_s[0])), job)
        near = {place.part, room_id, place.sleeve.slab if place.sleeve is not None else None}
        touching = [e for e in plan.events if not e.benign and e.target in near]
        wetting = [(w.onset_s, w.over_s) for w in truth.rewetting if w.cause == "leak"]
        unit = METRIC_PER_PCT.get(str(place.goal["metric"]), 1.0)
        judge_progress(truth, hourly, limit, end, touching, wetting, job, unit)
        return truth


def _judge_sleeve(
    truth: LocationTruth,
    place: Location,
    concrete: LocationCourse,
    air: LocationCourse,
    time_s: np.ndarray[Any, np.dtype[np.float64]],
    spin: int,
    job: tuple[float, float],
) -> None:
    """Fill in the concrete's humidity, the sleeve's, and when the two came together."""
    assert place.sleeve is not None
    true_rh = concrete.metric[EQUILIBRIUM_RH]
    truth.concrete_rh = block_means(true_rh, 6)[spin:].tolist()
    truth.sleeve_rh = block_means(air.humidity_pct, 6)[spin:].tolist()
    truth.openings = [s for s in place.sleeve.openings if s[0] < job[1]]
    apart = np.abs(air.humidity_pct - true_rh) > 1.0
    spans = place.sleeve.open_spans()
    for k, (_, closed) in enumerate(spans):
        until = spans[k + 1][0] if k + 1 < len(spans) else job[1]
        inside = (time_s >= closed) & (time_s < until)
        far = runs(apart & inside, join=18)
        if not inside.any():
            continue
        settled = far[0][1] if far else int(np.flatnonzero(inside)[0])
        if settled < len(time_s) and time_s[settled] < until:
            truth.settled_s.append(float(time_s[settled]))
