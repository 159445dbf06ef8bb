"""Draws what happens on any site, and its probes: doors, mopping, an exchanged probe, an opened sleeve, an outage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitord.physics.moist_air import saturation_vapour_pressure
from simulators.building import events as ev
from simulators.building.air import R_VAPOUR
from simulators.building.climate import season_cosine
from simulators.building.events import Event
from simulators.building.room import Room
from simulators.probes.gateway import Outage
from simulators.probes.measuring import IN_HAND, ProbePlacement, draw_probe
from simulators.scenario import DAY_S, Location, Scenario

Rng = np.random.Generator


def add_ordinary_days(scenario: Scenario, rng: Rng) -> None:
    """What happens on any site: doors, mopping, a heating break, a machine that is serviced. None of it matters."""
    weeks = scenario.length_s / (7 * DAY_S)
    for room in scenario.rooms:
        for _ in range(int(rng.poisson(3 * weeks))):
            _ordinary(scenario, rng, ev.DOOR_OPEN, room.id, (300, 2400), (2, 9))
        for _ in range(int(rng.poisson(0.25 * weeks))):
            _ordinary(scenario, rng, ev.WINDOW_OPEN, room.id, (1800, 9000), (1, 5))
        for _ in range(int(rng.poisson(0.4 * weeks))):
            _ordinary(scenario, rng, ev.MOISTURE, room.id, (1800, 5400), (4e-5, 1.5e-4))
        for _ in range(int(rng.integers(0, 3))):
            _ordinary(scenario, rng, ev.HEATING_OFF, room.id, (3 * 3600, 18 * 3600), (0, 0))
        if room.machine is not None:
            for _ in range(int(rng.integers(0, 4))):
                _ordinary(scenario, rng, ev.MACHINE_OFF, room.id, (900, 3 * 3600), (0, 0))
    if scenario.sleeves and rng.random() < 0.12:
        location = scenario.sleeves[int(rng.integers(len(scenario.sleeves)))]
        reopen(scenario, location, scenario.moment(rng, 0.4, 0.8), float(rng.choice([600.0, 1800.0, 7200.0])))


def _ordinary(
    scenario: Scenario, rng: Rng, kind: str, room: str, length_s: tuple[float, float], amount: tuple[float, float]
) -> None:
    start = scenario.moment(rng, 0.02, 0.98)
    end = start + float(rng.uniform(*length_s))
    scenario.events.append(Event(kind, room, start, end, float(rng.uniform(*amount)), benign=True))


def add_probes(scenario: Scenario, rng: Rng) -> None:
    """One probe for each location; now and then one is exchanged, or carried to another place."""
    common = float(rng.choice([300.0, 600.0, 900.0, 1800.0], p=[0.15, 0.5, 0.2, 0.15]))
    mixed = rng.random() < 0.25
    for k, location in enumerate(scenario.locations):
        interval = float(rng.choice([300.0, 600.0, 900.0, 1800.0])) if mixed else common
        probe = draw_probe(rng, f"p{k + 1:02d}", interval)
        scenario.probes.append(probe)
        start = scenario.start_s + 600.0 * float(rng.integers(0, 12))
        if location.sleeve is not None:
            start = max(location.sleeve.installed_s, scenario.start_s)
        if location.kind != "slab_sleeve" and rng.random() < 0.06:
            other = draw_probe(rng, f"p{k + 1:02d}b", interval)
            change = scenario.moment(rng, 0.3, 0.8)
            scenario.probes.append(other)
            scenario.placements += [
                ProbePlacement(probe.id, location.id, start, change),
                ProbePlacement(other.id, location.id, change + 600.0),
            ]
        else:
            scenario.placements.append(ProbePlacement(probe.id, location.id, start))
    if rng.random() < 0.12:
        _carry_one(scenario, rng)


def _carry_one(scenario: Scenario, rng: Rng) -> None:
    """A probe is carried from a place that is then watched no more to one whose own probe is taken away."""
    kinds = {location.id: location.kind for location in scenario.locations}
    free = [
        s for s in scenario.placements if s.to_s is None and kinds[s.location] in ("cavity", "subfloor_void", "surface")
    ]
    if len(free) < 2:
        return
    left, taken = (free[int(i)] for i in rng.choice(len(free), 2, replace=False))
    change = scenario.moment(rng, 0.4, 0.7)
    arrives = change + 600.0 * float(rng.integers(1, 6))
    scenario.placements[scenario.placements.index(left)] = replace(left, to_s=change)
    scenario.placements[scenario.placements.index(taken)] = replace(taken, to_s=change)
    scenario.placements += [
        ProbePlacement(left.probe, IN_HAND, change, arrives),
        ProbePlacement(left.probe, taken.location, arrives),
    ]


def wet_source(scenario: Scenario, room: Room, humidity_pct: float) -> float:
    """Moisture that would bring a room to about a humidity without any machine. [kg/s]"""
    middle = np.array([0.5 * (scenario.start_s + scenario.end_s)])
    season = float(season_cosine(middle, scenario.climate.south)[0])
    outside_c = scenario.climate.mean_c + scenario.climate.season_k * season
    dew_c = outside_c - scenario.climate.depression_k - scenario.climate.depression_summer_k * season - 0.5
    inside_c = max(room.heating.set_c if room.heating is not None else 12.0, outside_c)
    wanted = humidity_pct / 100.0 * float(saturation_vapour_pressure(inside_c, "water"))
    per_pa = room.air_changes_h * room.volume_m3 / 3600.0 / (R_VAPOUR * (inside_c + 273.15))
    return per_pa * max(wanted - float(saturation_vapour_pressure(dew_c, "water")), 100.0)


def reopen(scenario: Scenario, location: Location, at_s: float, length_s: float) -> None:
    """Open a sleeve for a while."""
    if location.sleeve is None:
        raise ValueError(f"{location.id} is not a sleeve")
    location.sleeve = replace(location.sleeve, openings=(*location.sleeve.openings, (at_s, at_s + length_s)))


def add_outage(scenario: Scenario, rng: Rng, start_s: float, length_s: float, kept: bool = True) -> None:
    """An outage of the gateway, with its backlog in some order."""
    order = str(rng.choice(["time", "probe", "newest_first", "mixed"]))
    repeated = float(rng.choice([0.0, 0.05, 1.0], p=[0.5, 0.3, 0.2]))
    scenario.outages.append(Outage(start_s, start_s + length_s, kept, order, repeated))
