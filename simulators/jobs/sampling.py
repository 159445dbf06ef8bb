"""Draws a building and its climate from a seed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from simulators.building.climate import CLIMATES, Climate
from simulators.building.enclosed import Cavity, Lining, Timber, Void
from simulators.building.materials import Concrete
from simulators.building.room import Dehumidifier, Heating, Room
from simulators.building.structure import Slab
from simulators.probes.gateway import Link
from simulators.probes.sleeves import Sleeve
from simulators.scenario import (
    DAY_S,
    EQUILIBRIUM_RH,
    HOUR_S,
    RH,
    TIMBER_MC,
    VP_EXCESS,
    GoalRequest,
    Location,
    Scenario,
)

Rng = np.random.Generator

_ROOM_NAMES = ("kitchen", "hall", "study", "bath", "store", "workshop", "nursery")
_SIDES = ("north", "east", "south", "west")


@dataclass(frozen=True)
class Needs:
    """What a family asks of the draw."""

    months: tuple[int, ...] = tuple(range(1, 13))
    climates: tuple[str, ...] = ()
    days: tuple[int, int] = (24, 70)
    sleeves: tuple[int, int] = (1, 5)
    cavities: tuple[int, int] = (0, 4)
    voids: tuple[int, int] = (0, 2)
    machine: str = "good"
    """`good`, `weak` or `none`."""
    outdoor: float = 0.8
    """Chance that there is an outdoor probe."""


def sample_scenario(family: str, seed: int, needs: Needs, rng: Rng) -> Scenario:
    """A building with probes, in which nothing out of the ordinary happens yet."""
    climates = [c for c in CLIMATES if not needs.climates or c.name in needs.climates]
    climate = climates[int(rng.integers(len(climates)))]
    zone = str(rng.choice(climate.zones))
    start = _start(climate, needs, rng)
    days = int(rng.integers(needs.days[0], needs.days[1] + 1))
    scenario = Scenario(
        family=family,
        seed=seed,
        climate=climate,
        zone=zone,
        elevation_m=float(round(rng.uniform(*climate.elevation_m))),
        start_s=start,
        end_s=start + days * DAY_S,
    )
    for k in range(int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1]))):
        scenario.rooms.append(draw_room(rng, _ROOM_NAMES[k], needs.machine, start))
    _add_airs(scenario, needs, rng)
    _add_slabs(scenario, needs, rng)
    for k in range(int(rng.integers(needs.cavities[0], needs.cavities[1] + 1))):
        _add_cavity(scenario, k, rng)
    for k in range(int(rng.integers(needs.voids[0], needs.voids[1] + 1))):
        _add_void(scenario, k, rng)
    del scenario.locations[20:]
    scenario.link = Link(
        float(rng.uniform(0.5, 8.0)), float(rng.choice([0.0, 0.002, 0.01])), float(rng.choice([0, 0.003]))
    )
    return scenario


def _start(climate: Climate, needs: Needs, rng: Rng) -> float:
    month = int(rng.choice(needs.months))
    if climate.south:
        month = (month + 5) % 12 + 1
    day = datetime(int(rng.integers(2022, 2026)), month, int(rng.integers(1, 29)), int(rng.integers(7, 16)), tzinfo=UTC)
    return day.timestamp() + 600.0 * int(rng.integers(0, 6))


def draw_room(rng: Rng, room_id: str, machine: str, start_s: float) -> Room:
    """A room; `machine`: good, weak or none."""
    floor = float(rng.uniform(10, 55))
    night = float(rng.choice([-99.0, 15.0, 16.0, 17.0])) if rng.random() < 0.5 else None
    heating = Heating(
        set_c=float(rng.uniform(17.5, 23.5)),
        night_c=None if night is None or night < 0 else night,
        day=(float(rng.integers(5, 8)), float(rng.integers(17, 23))),
        power_w=floor * float(rng.uniform(70, 140)),
        band_k=float(rng.choice([0.0, 0.5, 0.8])),
    )
    per_m2 = {"good": rng.uniform(0.45, 0.95), "weak": rng.uniform(0.06, 0.15), "none": 0.0}[machine]
    device = None
    if machine != "none":
        device = Dehumidifier(
            rated_kg_day=floor * float(per_m2),
            humidistat_pct=float(rng.uniform(38, 50)) if machine == "good" and rng.random() < 0.35 else None,
            tank_kg=float(rng.uniform(8, 20)) if rng.random() < 0.12 else None,
            heat_w=120.0 + 20.0 * floor * float(per_m2),
        )
    return Room(
        id=room_id,
        floor_m2=floor,
        height_m=float(rng.uniform(2.3, 2.9)),
        air_changes_h=float(rng.uniform(0.12, 0.55)),
        loss_w_k=floor * float(rng.uniform(1.5, 3.2)),
        fabric_j_k=floor * float(rng.uniform(160e3, 400e3)),
        air_j_k=floor * float(rng.uniform(6e3, 14e3)),
        fabric_w_k=floor * float(rng.uniform(7, 14)),
        gains_w=floor * float(rng.uniform(1.5, 5)),
        heating=heating,
        machine=device,
        machine_from_s=start_s + HOUR_S * float(rng.uniform(-24, 12)),
        lining_m2=floor * float(rng.uniform(1.8, 3.2)),
        lining_kg_m2=float(rng.uniform(1.2, 3.5)),
        lining_knee=float(rng.uniform(0.2, 0.5)),
        lining_humidity=float(rng.uniform(0.65, 0.92)),
        lining_g=float(rng.uniform(0.7e-9, 2.0e-9)),
        window_m2=floor * float(rng.uniform(0.08, 0.2)),
        window_factor=float(rng.uniform(0.5, 0.7)),
        f_rsi=round(float(rng.uniform(0.68, 0.88)), 2),
        surface_lag_s=HOUR_S * float(rng.uniform(1, 5)),
    )


def _add_airs(scenario: Scenario, needs: Needs, rng: Rng) -> None:
    if rng.random() < needs.outdoor:
        scenario.locations.append(Location("outdoor", "outdoor air", "outdoor_air", "outdoor"))
    outdoor = scenario.locations[0].id if scenario.locations else None
    for room in scenario.rooms:
        location = Location(room.id, f"{room.id} air", "room_air", room.id, reference=outdoor)
        location.f_rsi = room.f_rsi if rng.random() < 0.6 else None
        if rng.random() < 0.12:
            location.wish = GoalRequest(
                RH, float(rng.choice([24.0, 48.0])), "fixed", limit=float(rng.choice([50, 55, 60]))
            )
        scenario.locations.append(location)
        if rng.random() < 0.3:
            side = str(rng.choice(_SIDES))
            scenario.locations.append(
                Location(
                    f"{room.id}-{side}-surface",
                    f"{room.id}, {side} wall, cold corner",
                    "surface",
                    room.id,
                    reference=room.id,
                    f_rsi=room.f_rsi,
                    surface_sensor=True,
                )
            )


def _add_slabs(scenario: Scenario, needs: Needs, rng: Rng) -> None:
    wanted = int(rng.integers(needs.sleeves[0], needs.sleeves[1] + 1))
    k = 0
    while len(scenario.sleeves) < wanted:
        k += 1
        room = scenario.rooms[int(rng.integers(len(scenario.rooms)))]
        screed = rng.random() < 0.6
        thickness = float(rng.choice([45, 50, 60, 65, 75] if screed else [80, 100, 120, 150]))
        slab = Slab(
            id=f"slab{k}",
            room=room.id,
            thickness_mm=thickness,
            area_m2=room.floor_m2 / 2.0,
            concrete=Concrete(
                d1_m2_s=float(np.exp(rng.uniform(np.log(3.5e-10), np.log(1.6e-9)))) * (1.0 if screed else 0.7),
                cement_kg_m3=float(rng.uniform(260, 380)),
                w_c=float(rng.uniform(0.42, 0.62)),
            ),
            humidity=float(rng.uniform(0.88, 0.985)),
            top_humidity=float(rng.uniform(0.75, 0.88)) if rng.random() < 0.3 else None,
            face_g=float(rng.uniform(0.6e-8, 2e-8)),
            ground_share=float(rng.uniform(0.05, 0.4)),
            leak_depth_share=float(rng.uniform(0.3, 0.8)),
        )
        if rng.random() < 0.12:
            slab = replace(slab, below=room.id, ground_share=0.0)
        scenario.slabs.append(slab)
        shares = [0.2] if slab.below else [0.4]
        if rng.random() < 0.45:
            shares = sorted({*shares, *(float(x) for x in rng.choice([0.2, 0.6, 0.8], int(rng.integers(1, 3)), False))})
        for share in shares:
            _add_sleeve(scenario, slab, share, rng)


def _add_sleeve(scenario: Scenario, slab: Slab, share: float, rng: Rng) -> None:
    depth = float(max(10, round(share * slab.thickness_mm)))
    if any(p.sleeve and p.sleeve.slab == slab.id and p.sleeve.depth_mm == depth for p in scenario.sleeves):
        return
    first = (0.0, rng.uniform(0.2, 0.7), rng.uniform(1.02, 1.2))[int(rng.choice(3, p=[0.65, 0.2, 0.15]))]
    hours = (rng.uniform(-100, -20), rng.uniform(0, 30), rng.uniform(0, 6))[int(rng.choice(3, p=[0.12, 0.38, 0.5]))]
    installed = 600.0 * round((scenario.start_s + HOUR_S * float(hours)) / 600.0)
    sleeve = Sleeve(
        id=f"{slab.room}-{slab.id}-{depth:.0f}mm",
        slab=slab.id,
        depth_mm=depth,
        installed_s=installed,
        sealed_s=installed + float(rng.choice([0.0, 600.0, 1800.0, 7200.0], p=[0.2, 0.4, 0.3, 0.1])),
        tau_h=float(np.clip(np.exp(rng.normal(np.log(12.5), 0.45)), 4.0, 36.0)),
        slow_share=float(rng.choice([0.0, rng.uniform(0.05, 0.25)], p=[0.5, 0.5])),
        slow_tau_h=float(rng.uniform(24, 48)),
        start_share=float(first),
        drilled_k=float(rng.uniform(0, 4)),
        mouth=float(rng.uniform(0, 0.04)),
    )
    scenario.locations.append(
        Location(
            id=sleeve.id,
            name=f"{slab.room}, sleeve at {depth:.0f} mm",
            kind="slab_sleeve",
            part=sleeve.id,
            reference=slab.room,
            sleeve=sleeve,
            wish=GoalRequest(EQUILIBRIUM_RH, 24.0, "reach", float(rng.uniform(0.35, 1.5)))
            if rng.random() < 0.55
            else GoalRequest(EQUILIBRIUM_RH, 24.0, "fixed", limit=float(rng.choice([75, 80, 85, 90]))),
        )
    )


def _timber(rng: Rng, dry_kg: float) -> Timber:
    return Timber(dry_kg, float(rng.uniform(19, 28)), float(rng.uniform(8, 22)), skin_lag_h=float(rng.uniform(8, 30)))


def _add_cavity(scenario: Scenario, k: int, rng: Rng) -> None:
    room = scenario.rooms[int(rng.integers(len(scenario.rooms)))]
    inner = rng.random() < 0.3
    cavity = Cavity(
        id=f"{_SIDES[k % 4]}-wall" if k < 4 else f"wall{k}",
        room=room.id,
        volume_m3=float(rng.uniform(0.4, 1.6)),
        room_changes_h=float(rng.uniform(2.0, 12.0)),
        outdoor_changes_h=0.0 if inner else float(rng.uniform(0.05, 1.2)),
        lining=Lining(
            area_m2=float(rng.uniform(5, 13)),
            full_kg_m2=float(rng.uniform(1.2, 3.2)),
            share=float(rng.uniform(0.08, 0.5)),
            knee=float(rng.uniform(0.07, 0.22)),
            g=float(rng.uniform(2e-9, 7e-9)),
        ),
        timber=_timber(rng, float(rng.uniform(15, 60))),
        room_share=float(rng.uniform(0.9, 1.0)) if inner else float(rng.uniform(0.5, 0.85)),
        f_rsi=0.95 if inner else round(float(rng.uniform(0.3, 0.6)), 2),
        lag_s=HOUR_S * float(rng.uniform(1, 4)),
        sun_k=0.0 if inner else float(rng.uniform(0, 8)),
        leaf_m2=float(rng.uniform(0.1, 1.5)),
    )
    scenario.cavities.append(cavity)
    outer = any(p.kind == "outdoor_air" for p in scenario.locations)
    wishes = (
        GoalRequest(RH, 24.0, "reach", float(rng.uniform(0.3, 1.3))),
        GoalRequest(RH, 24.0, "fixed", limit=float(rng.choice([60, 65, 70, 75]))),
        GoalRequest(VP_EXCESS, 24.0, "reach", float(rng.uniform(0.3, 1.3))),
        GoalRequest(VP_EXCESS, 48.0, "fixed", limit=float(rng.choice([100, 150, 200, 300]))),
        GoalRequest(TIMBER_MC, 24.0, "reach", float(rng.uniform(0.4, 1.3))),
    )
    scenario.locations.append(
        Location(
            id=cavity.id,
            name=f"{cavity.id} cavity",
            kind="cavity",
            part=cavity.id,
            reference=room.id if rng.random() < 0.85 or not outer else "outdoor",
            f_rsi=None if inner else cavity.f_rsi,
            surface_sensor=not inner and rng.random() < 0.3,
            wish=wishes[int(rng.choice(5, p=[0.3, 0.25, 0.2, 0.1, 0.15]))],
        )
    )


def _add_void(scenario: Scenario, k: int, rng: Rng) -> None:
    room = scenario.rooms[int(rng.integers(len(scenario.rooms)))]
    area = float(rng.uniform(15, 40))
    void = Void(
        id=("void", "rear-void", "side-void")[k],
        room=room.id,
        volume_m3=area * float(rng.uniform(0.3, 0.8)),
        outdoor_changes_h=float(np.exp(rng.uniform(np.log(0.5), np.log(4.0)))),
        room_changes_h=float(rng.uniform(0.02, 0.3)),
        ground=Lining(
            area_m2=area,
            full_kg_m2=float(rng.uniform(2, 5)),
            share=float(rng.uniform(0.05, 0.45)),
            knee=float(rng.uniform(0.08, 0.25)),
            g=float(rng.uniform(2e-9, 6e-9)),
            deep_g=float(np.exp(rng.uniform(np.log(3e-11), np.log(5e-10)))),
        ),
        timber=_timber(rng, area * float(rng.uniform(6, 14))),
        room_share=float(rng.uniform(0.1, 0.35)),
        ground_share=float(rng.uniform(0.25, 0.45)),
        f_rsi=round(float(rng.uniform(0.1, 0.3)), 2),
        lag_s=HOUR_S * float(rng.uniform(4, 14)),
        leaf_m2=float(rng.uniform(0.2, 3.0)),
    )
    scenario.voids.append(void)
    wishes = (
        GoalRequest(TIMBER_MC, 24.0, "reach", float(rng.uniform(0.4, 1.4))),
        GoalRequest(TIMBER_MC, 24.0, "fixed", limit=float(rng.choice([16, 18, 20]))),
        GoalRequest(RH, 48.0, "reach", float(rng.uniform(0.3, 1.3))),
        GoalRequest(VP_EXCESS, 48.0, "reach", float(rng.uniform(0.3, 1.3))),
    )
    outer = any(p.kind == "outdoor_air" for p in scenario.locations)
    scenario.locations.append(
        Location(
            id=void.id,
            name=f"{void.id}, below the floor",
            kind="subfloor_void",
            part=void.id,
            reference="outdoor" if outer else room.id,
            f_rsi=void.f_rsi if rng.random() < 0.4 else None,
            wish=wishes[int(rng.choice(4, p=[0.4, 0.25, 0.2, 0.15]))],
        )
    )
