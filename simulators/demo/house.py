"""A small house for trying the program out: nine days in January in about two minutes.

A pipe has burst; kitchen and hall are dried. On the fourth day the machine's tank is full and nobody comes; the damp
air meets a cold leaf in the north wall, and water condenses there until the tank is emptied. Later the battery of
the probe below the floor gives up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.building import events as ev
from simulators.building.climate import CLIMATES, Spell
from simulators.building.enclosed import Cavity, Lining, Timber, Void
from simulators.building.events import Event
from simulators.building.materials import Concrete
from simulators.building.room import Dehumidifier, Heating, Room
from simulators.building.structure import Slab
from simulators.jobs.job_generator import JobMaker, SimulatedJob
from simulators.probes import faults as ft
from simulators.probes.faults import Fault
from simulators.probes.gateway import Link
from simulators.probes.measuring import Probe, ProbePlacement
from simulators.probes.sleeves import Sleeve
from simulators.publish import PublishedMessage, messages
from simulators.scenario import DAY_S, EQUILIBRIUM_RH, HOUR_S, RH, TIMBER_MC, GoalRequest, Location, Scenario

Array = NDArray[np.float64]

START = datetime(2025, 1, 13, 8, 0, tzinfo=UTC)
DAYS = 9
FACTOR = 7000.0
"""Simulated seconds in one real second at which the demo is meant to be watched: 111 s."""
SILENT_PROBE = "p07"
CONDENSING_LOCATION = "north-wall"
_TANK_FULL = (3.0, 5.0)
_COLD = (3.2, 5.5)
_SILENT_FROM = 8.3
_MEASURED_H = 4.0


@dataclass(frozen=True)
class Demo:
    """The job and what its probes send."""

    job: dict[str, Any]
    """What job.json holds."""
    start: datetime
    end: datetime
    made: SimulatedJob

    def messages(self) -> Iterator[PublishedMessage]:
        """All messages with their simulated times, in order."""
        return messages(self.made.readings, gateway="house")


def demo() -> Demo:
    """The demo's house. Takes about a second to simulate; always the same."""
    scenario = _scenario()
    maker = JobMaker(
        scenario, "a burst pipe, a full tank, a cold wall, a spent battery", np.random.SeedSequence(12), 20
    )
    made = maker.make()
    job = {**made.job, "job": "demo-house", "name": "Demo: house at the harbour", "spots": _by_hand(made)}
    return Demo(job, START, START + timedelta(days=DAYS), made)


def _by_hand(made: SimulatedJob) -> list[dict[str, Any]]:
    """What the one who set the probes out measured by hand: what is so, and the instrument's error."""
    at_s = START.timestamp() + _MEASURED_H * HOUR_S

    def spot(location: str, kind: str, value: Array, error: float, **more: str) -> dict[str, Any]:
        shown = round(float(np.interp(at_s, made.time_s, value)) + error, 1)
        at = datetime.fromtimestamp(at_s, UTC).isoformat()
        return {"location_id": location, "at": at, "kind": kind, "value": shown, "by": "A. Reeve", **more}

    leaf = made.histories[CONDENSING_LOCATION].surface_c
    assert leaf is not None  # a sensor is there
    timber = made.histories["void"].metric[TIMBER_MC]
    return [
        spot("void", "wood_moisture_pct", timber, 0.7, corrected_for="spruce, 13 °C", instrument="pin meter"),
        spot(CONDENSING_LOCATION, "surface_temperature_c", leaf, -0.5, instrument="infrared, matt tape"),
    ]


def _scenario() -> Scenario:
    start = START.timestamp()
    scenario = Scenario("demo", 0, CLIMATES[0], "Europe/London", 25.0, start, start + DAYS * DAY_S)
    scenario.rooms = [_room("kitchen", 18.0, start), _room("hall", 12.0, start)]
    scenario.slabs = [Slab("screed", "kitchen", 65.0, 14.0, Concrete(9e-10), humidity=0.955, ground_share=0.2)]
    scenario.cavities = [
        Cavity(
            CONDENSING_LOCATION, "kitchen", 0.9, 7.0, 0.15, Lining(7.0, 1.6, 0.06, 0.15, 4e-9),
            Timber(25.0, 18.0, 12.0), room_share=0.75, f_rsi=0.58, sun_k=0.0, leaf_m2=0.3,
        )
    ]  # fmt: skip
    scenario.voids = [
        Void("void", "hall", 12.0, 0.8, 0.1, Lining(20.0, 3.0, 0.2, 0.15, 3e-9, 1.5e-10), Timber(160.0, 23.0, 13.0))
    ]
    scenario.spells = [Spell(start + _COLD[0] * DAY_S, start + _COLD[1] * DAY_S, -10.0)]
    full, emptied = (start + day * DAY_S for day in _TANK_FULL)
    for room in scenario.rooms:
        scenario.events.append(Event(ev.MACHINE_OFF, room.id, full, emptied))
        scenario.events.append(Event(ev.MOISTURE, room.id, full, emptied, 4.0e-6 * room.floor_m2, benign=True))
    _add_locations(scenario, start)
    scenario.faults = [Fault(ft.SILENT, SILENT_PROBE, start + _SILENT_FROM * DAY_S, scenario.end_s + DAY_S)]
    scenario.link = Link(3.0, 0.001, 0.0)
    return scenario


def _room(room_id: str, floor_m2: float, start_s: float) -> Room:
    return Room(
        room_id,
        floor_m2,
        air_changes_h=0.25,
        loss_w_k=1.9 * floor_m2,
        fabric_j_k=260e3 * floor_m2,
        air_j_k=1e4 * floor_m2,
        fabric_w_k=10.0 * floor_m2,
        gains_w=3.0 * floor_m2,
        heating=Heating(20.5, 18.5, power_w=110.0 * floor_m2, band_k=0.4),
        machine=Dehumidifier(0.7 * floor_m2, heat_w=250.0),
        machine_from_s=start_s - 6 * HOUR_S,
        lining_m2=2.5 * floor_m2,
        lining_humidity=0.8,
        f_rsi=0.78,
    )


def _add_locations(scenario: Scenario, start: float) -> None:
    scenario.locations = [
        Location("outdoor", "outdoors, north side", "outdoor_air", "outdoor"),
        Location("kitchen", "kitchen air", "room_air", "kitchen", "outdoor"),
        Location("hall", "hall air", "room_air", "hall", "outdoor"),
        _sleeve("kitchen-26mm", 26.0, start + 2 * HOUR_S, 85.0),
        _sleeve("kitchen-45mm", 45.0, start + 2 * HOUR_S, 87.0),
        Location(
            CONDENSING_LOCATION, "north wall cavity", "cavity", CONDENSING_LOCATION, "kitchen", 0.58,
            surface_sensor=True, wish=GoalRequest(RH, 24.0, "fixed", limit=60.0),
        ),
        Location(
            "void", "void below the hall", "subfloor_void", "void", "outdoor",
            wish=GoalRequest(TIMBER_MC, 24.0, "fixed", limit=18.0),
        ),
        Location("hall-corner", "hall, cold corner", "surface", "hall", "hall", 0.78, surface_sensor=True),
    ]  # fmt: skip
    for k, location in enumerate(scenario.locations):
        bias = (0.4, -0.3, 0.2, 0.5, -0.4, 0.3, -0.2, 0.1)[k]
        interval = 600.0
        probe = Probe(
            f"p{k + 1:02d}", interval, 0.3, 2.0, 300.0, 0.1 * bias, bias, phase_s=60.0 * k, battery_v=3.0 + 0.02 * k
        )
        scenario.probes.append(probe)
        placed = start + 1800.0 if location.sleeve is None else location.sleeve.installed_s
        scenario.placements.append(ProbePlacement(probe.id, location.id, placed))


def _sleeve(sleeve_id: str, depth_mm: float, made_s: float, limit: float) -> Location:
    sleeve = Sleeve(sleeve_id, "screed", depth_mm, made_s, made_s + 900.0, tau_h=11.0, slow_share=0.1)
    return Location(
        sleeve_id, f"kitchen screed, {depth_mm:.0f} mm deep", "slab_sleeve", sleeve_id, "kitchen", sleeve=sleeve,
        wish=GoalRequest(EQUILIBRIUM_RH, 24.0, "fixed", limit=limit),
    )  # fmt: skip
