"""Families of jobs: what each one is about. Every family draws its own from a seed, on top of an ordinary site."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from simulators.building import events as ev
from simulators.building.climate import Spell
from simulators.building.enclosed import Cavity
from simulators.building.events import Event
from simulators.building.room import Heating
from simulators.jobs.sampling import Needs
from simulators.jobs.sampling_days import add_outage, reopen, wet_source
from simulators.jobs.sampling_faults import draw_fault
from simulators.probes import faults as ft
from simulators.scenario import DAY_S, HOUR_S, TIMBER_MC, GoalRequest, Location, Scenario

Rng = np.random.Generator
_WINTER, _SUMMER = (11, 12, 1, 2), (6, 7, 8)


@dataclass(frozen=True)
class Family:
    """One kind of job."""

    needs: Needs
    alter: Callable[[Scenario, Rng], None]
    about: str


def _nothing(scenario: Scenario, rng: Rng) -> None:
    """An ordinary job."""


def _slow(scenario: Scenario, rng: Rng) -> None:
    scenario.slabs = [
        replace(
            s,
            thickness_mm=s.thickness_mm,
            concrete=replace(s.concrete, d1_m2_s=float(rng.uniform(0.8e-10, 2.2e-10))),
            humidity=float(rng.uniform(0.9, 0.98)),
        )
        for s in scenario.slabs
    ]
    scenario.voids = [replace(v, timber=replace(v.timber, lag_days=float(rng.uniform(18, 30)))) for v in scenario.voids]
    for location in scenario.sleeves:
        location.wish = GoalRequest("equilibrium_rh_pct", 24.0, "reach", float(rng.uniform(0.8, 2.5)))


def _stall(scenario: Scenario, rng: Rng) -> None:
    """The air becomes, or always was, as wet as the elements."""
    how = str(rng.choice(["machine_off", "sealed_wet", "humid_air"], p=[0.45, 0.3, 0.25]))
    start = scenario.moment(rng, 0.3, 0.55)
    end = scenario.end_s + DAY_S if rng.random() < 0.6 else start + DAY_S * float(rng.uniform(9, 20))
    for k, room in enumerate(scenario.rooms):
        wet = wet_source(scenario, room, float(rng.uniform(74, 95)))
        if how == "machine_off":
            scenario.events += [
                Event(ev.MACHINE_OFF, room.id, start, end),
                Event(ev.MOISTURE, room.id, start, end, wet),
            ]
        elif how == "sealed_wet":
            scenario.rooms[k] = replace(
                room,
                machine=None,
                air_changes_h=float(rng.uniform(0.05, 0.15)),
                lining_humidity=float(rng.uniform(0.85, 0.95)),
            )
            wet = wet_source(scenario, scenario.rooms[k], float(rng.uniform(70, 92)))
            scenario.events.append(
                Event(ev.MOISTURE, room.id, scenario.start_s - 5 * DAY_S, scenario.end_s + DAY_S, wet)
            )
        else:
            scenario.events += [
                Event(ev.MACHINE_OFF, room.id, start, end),
                Event(ev.WINDOW_OPEN, room.id, start, end, float(rng.uniform(2, 6))),
            ]
    if how == "humid_air":
        scenario.spells.append(Spell(start - DAY_S, min(end, scenario.end_s) + DAY_S, float(rng.uniform(0, 4)), 0.75))
    for location in scenario.locations:
        if location.wish is not None and location.kind != "room_air":
            location.wish = replace(location.wish, how="below_end", share=float(rng.uniform(1.5, 8.0)))


def _machine_failure(scenario: Scenario, rng: Rng) -> None:
    start = scenario.moment(rng, 0.2, 0.65)
    mended = rng.random() < 0.7
    end = start + DAY_S * float(rng.uniform(1.5, 12)) if mended else scenario.end_s + DAY_S
    power_cut = rng.random() < 0.3
    for room in scenario.rooms:
        wet = wet_source(scenario, room, float(rng.uniform(68, 94)))
        scenario.events.append(
            Event(ev.MOISTURE, room.id, scenario.start_s - 5 * DAY_S, scenario.end_s + DAY_S, wet, benign=True)
        )
    for room in scenario.rooms[: int(rng.integers(1, len(scenario.rooms) + 1))]:
        scenario.events.append(Event(ev.MACHINE_OFF, room.id, start, end))
        if power_cut:
            scenario.events.append(Event(ev.HEATING_OFF, room.id, start, end))


def _cold_snap(scenario: Scenario, rng: Rng) -> None:
    start = scenario.moment(rng, 0.2, 0.7)
    scenario.spells.append(Spell(start, start + DAY_S * float(rng.uniform(3, 11)), -float(rng.uniform(7, 16))))
    if rng.random() < 0.4:
        room = scenario.rooms[0]
        off = start + DAY_S * float(rng.uniform(0, 2))
        scenario.events.append(Event(ev.HEATING_OFF, room.id, off, off + DAY_S * float(rng.uniform(1.0, 4.0))))


def add_leak(scenario: Scenario, rng: Rng, location: Location, start_s: float, end_s: float) -> None:
    """Water runs into a location."""
    if location.sleeve is not None:
        slab = next(s for s in scenario.slabs if s.id == location.sleeve.slab)
        rise = float(rng.uniform(0.03, 0.09))
        days = min((end_s - start_s) / DAY_S, float(rng.uniform(0.5, 4)))
        water = rise * 120.0 * slab.thickness_mm / 1000.0 * slab.area_m2
        near = min(max(location.sleeve.depth_mm / slab.thickness_mm + float(rng.uniform(-0.15, 0.25)), 0.1), 0.9)
        scenario.slabs[scenario.slabs.index(slab)] = replace(slab, leak_depth_share=near)
        scenario.events.append(Event(ev.LEAK, slab.id, start_s, start_s + days * DAY_S, water / (days * DAY_S)))
        return
    if location.kind == "cavity":
        daily = float(np.exp(rng.uniform(np.log(0.6), np.log(6.0))))
    else:
        void = next(v for v in scenario.voids if v.id == location.part)
        daily = void.ground.area_m2 * void.ground.full_kg_m2 * float(rng.uniform(0.06, 0.35))
    scenario.events.append(Event(ev.LEAK, location.part, start_s, end_s, daily / DAY_S))


def _leak(scenario: Scenario, rng: Rng) -> None:
    wet = [p for p in scenario.locations if p.kind in ("cavity", "subfloor_void", "slab_sleeve")]
    dried = [p for p in wet if p.kind != "slab_sleeve"] or wet
    for n in range(int(rng.integers(1, 3))):
        pool = dried if rng.random() < 0.6 else wet
        location = pool[int(rng.integers(len(pool)))]
        start = scenario.moment(rng, 0.35 + 0.2 * n, 0.6 + 0.2 * n)
        lasts = DAY_S * float(rng.uniform(0.5, 7)) if rng.random() < 0.6 else scenario.end_s - start
        add_leak(scenario, rng, location, start, start + lasts)


def _ground(scenario: Scenario, rng: Rng) -> None:
    for k, slab in enumerate(scenario.slabs):
        if slab.below is None and rng.random() < 0.8:
            scenario.slabs[k] = replace(
                slab, feed_g=float(np.exp(rng.uniform(np.log(4e-10), np.log(4e-9)))), feed_humidity=1.0,
                ground_share=float(rng.uniform(0.2, 0.5)),
            )  # fmt: skip
            if rng.random() < 0.35:
                scenario.slabs[k] = replace(scenario.slabs[k], feed_humidity=float(rng.uniform(0.75, 0.85)))
                rise = Event(ev.GROUND_RISE, slab.id, scenario.moment(rng, 0.3, 0.6), scenario.end_s + DAY_S, 1.0)
                scenario.events.append(rise)


def _probe_faults(scenario: Scenario, rng: Rng) -> None:
    taken: set[str] = set()
    # the first kind goes round with the seed, so that every kind is met in any twelve seeds in a row
    kinds = [ft.FAULT_KINDS[scenario.seed % len(ft.FAULT_KINDS)]]
    kinds += [str(k) for k in rng.choice(ft.FAULT_KINDS, int(rng.integers(1, 4)))]
    for kind in kinds:
        fault = draw_fault(scenario, rng, kind, taken)
        if fault is not None:
            scenario.faults.append(fault)


def _outages(scenario: Scenario, rng: Rng) -> None:
    for n in range(int(rng.integers(1, 4))):
        start = scenario.moment(rng, 0.1 + 0.28 * n, 0.3 + 0.28 * n)
        hours = float(np.exp(rng.uniform(np.log(3), np.log(110))))
        add_outage(scenario, rng, start, hours * HOUR_S, kept=rng.random() < 0.8)
    scenario.link = replace(scenario.link, delay_s=float(rng.uniform(2, 60)), repeated=0.02, late=0.01)


def _swings(scenario: Scenario, rng: Rng) -> None:
    for k, room in enumerate(scenario.rooms):
        heating = room.heating or Heating()
        how = int(rng.integers(3))
        if how == 0:
            heating = replace(heating, set_c=float(rng.uniform(21, 26)), night_c=-1.0, cycle_h=None)
        elif how == 1:
            on = float(rng.uniform(3, 12))
            heating = replace(heating, cycle_h=(on, float(rng.uniform(4, 14))), night_c=None)
        else:
            heating = replace(heating, set_c=float(rng.uniform(22, 26)), night_c=float(rng.uniform(12, 15)))
        machine = room.machine
        if machine is not None and rng.random() < 0.5:
            machine = replace(machine, hours=(float(rng.integers(6, 9)), float(rng.integers(16, 21))))
        scenario.rooms[k] = replace(
            room,
            heating=replace(heating, power_w=room.floor_m2 * float(rng.uniform(110, 200))),
            machine=machine,
            fabric_j_k=room.floor_m2 * float(rng.uniform(90e3, 160e3)),
        )
    scenario.cavities = [
        c if c.outdoor_changes_h == 0 else replace(c, sun_k=float(rng.uniform(8, 18)), room_share=0.45)
        for c in scenario.cavities
    ]


def _condensation(scenario: Scenario, rng: Rng) -> None:
    """A warm wet room in winter beside a cold surface, until a machine comes or the room has dried."""
    mended = scenario.moment(rng, 0.35, 0.7) if rng.random() < 0.7 else scenario.end_s + DAY_S
    for k, room in enumerate(scenario.rooms):
        factor = round(float(rng.uniform(0.38, 0.62)), 2)
        scenario.rooms[k] = replace(
            room, f_rsi=factor, lining_humidity=float(rng.uniform(0.85, 0.95)),
            air_changes_h=float(rng.uniform(0.1, 0.3)), machine_from_s=mended,
        )  # fmt: skip
        for location in scenario.locations:
            if location.part == room.id and (location.kind == "surface" or rng.random() < 0.7):
                location.f_rsi = factor
        wet = wet_source(scenario, scenario.rooms[k], float(rng.uniform(55, 85)))
        first = scenario.moment(rng, 0.05, 0.3)
        scenario.events.append(Event(ev.MOISTURE, room.id, first, mended, wet))
    for location in scenario.locations:
        if location.kind == "cavity" and location.f_rsi is not None and rng.random() < 0.5:
            location.surface_sensor = True


def _unreachable(scenario: Scenario, rng: Rng) -> None:
    """Goals that this air cannot reach; in some jobs a better machine comes later."""
    later = scenario.moment(rng, 0.4, 0.6) if rng.random() < 0.4 else scenario.end_s + DAY_S
    for k, room in enumerate(scenario.rooms):
        scenario.rooms[k] = replace(room, machine_from_s=later)
        wet = wet_source(scenario, room, float(rng.uniform(62, 85)))
        scenario.events.append(Event(ev.MOISTURE, room.id, scenario.start_s - 5 * DAY_S, scenario.end_s + DAY_S, wet))
    for location in scenario.locations:
        if location.wish is not None and location.kind != "room_air" and rng.random() < 0.75:
            location.wish = replace(location.wish, how="below_end", share=float(rng.uniform(1.0, 12.0)))


def _airing(scenario: Scenario, rng: Rng) -> None:
    """Humid weather and open windows wet a void or cavity; nothing leaks."""
    for n in range(int(rng.integers(1, 4))):
        start = scenario.moment(rng, 0.15 + 0.25 * n, 0.35 + 0.25 * n)
        length = DAY_S * float(rng.uniform(1.5, 8))
        scenario.spells.append(Spell(start, start + length, float(rng.uniform(0, 6)), float(rng.uniform(0.6, 0.95))))
        for room in scenario.rooms:
            if rng.random() < 0.5:
                opened = start + DAY_S * float(rng.uniform(0, 1))
                last = opened + HOUR_S * float(rng.uniform(4, 60))
                scenario.events.append(Event(ev.WINDOW_OPEN, room.id, opened, last, float(rng.uniform(1, 8))))
    scenario.voids = [
        replace(v, outdoor_changes_h=v.outdoor_changes_h * float(rng.uniform(1, 3))) for v in scenario.voids
    ]


def _timber(scenario: Scenario, rng: Rng) -> None:
    scenario.voids = [
        replace(
            v,
            ground=replace(v.ground, deep_g=float(rng.uniform(1e-11, 8e-11)), share=float(rng.uniform(0.02, 0.15))),
            timber=replace(v.timber, start_pct=float(rng.uniform(22, 29)), lag_days=float(rng.uniform(9, 22))),
        )
        for v in scenario.voids
    ]  # fmt: skip
    for location in scenario.locations:
        if location.kind == "subfloor_void" or (location.kind == "cavity" and rng.random() < 0.5):
            location.wish = GoalRequest(TIMBER_MC, 24.0, "reach", float(rng.uniform(0.35, 1.1)))


def _ventilated(cavity: Cavity, rng: Rng) -> Cavity:
    """A cavity behind cladding: it holds outdoor air and swings with sun and frost."""
    return replace(
        cavity,
        room_share=float(rng.uniform(0.05, 0.35)),
        f_rsi=round(float(rng.uniform(0.05, 0.2)), 2),
        lag_s=float(rng.uniform(1200, 4000)),
        sun_k=float(rng.uniform(4, 16)),
    )


def _sound(scenario: Scenario, rng: Rng) -> None:
    """Nothing was ever wet and nobody set a goal, through a hard winter."""
    scenario.cavities = [_ventilated(c, rng) if rng.random() < 0.5 else c for c in scenario.cavities]
    scenario.rooms = [replace(r, machine=None, lining_humidity=0.4) for r in scenario.rooms]
    scenario.slabs = [replace(s, humidity=float(rng.uniform(0.5, 0.7)), top_humidity=None) for s in scenario.slabs]
    scenario.cavities = [
        replace(c, lining=replace(c.lining, share=0.05), timber=replace(c.timber, start_pct=11.0),
                room_changes_h=float(rng.uniform(0.0, 0.3)), outdoor_changes_h=float(rng.uniform(0.5, 20)))
        for c in scenario.cavities
    ]  # fmt: skip
    scenario.voids = [
        replace(v, ground=replace(v.ground, share=0.08, deep_g=3e-11), timber=replace(v.timber, start_pct=14.0))
        for v in scenario.voids
    ]
    for room in scenario.rooms:
        lived = wet_source(scenario, room, float(rng.uniform(25, 42)))
        scenario.events.append(
            Event(ev.MOISTURE, room.id, scenario.start_s - 5 * DAY_S, scenario.end_s + DAY_S, lived, benign=True)
        )
    scenario.spells.append(
        Spell(scenario.moment(rng, 0.2, 0.6), scenario.moment(rng, 0.65, 0.9), -float(rng.uniform(4, 12)))
    )
    for location in scenario.locations:
        location.wish = None


def _sleeves(scenario: Scenario, rng: Rng) -> None:
    """Many sleeves made on different days, some opened again."""
    for n, location in enumerate(scenario.sleeves):
        if location.sleeve is None:
            continue
        day = 600.0 * round(scenario.start_s / 600.0 + 144 * float(rng.integers(0, 8)) + float(rng.integers(0, 40)))
        location.sleeve = replace(location.sleeve, installed_s=day, sealed_s=day + 600.0 * float(rng.integers(0, 12)))
        for placement in [s for s in scenario.placements if s.location == location.id]:
            scenario.placements[scenario.placements.index(placement)] = replace(placement, from_s=day)
        if n == 0 or rng.random() < 0.4:
            reopen(
                scenario, location, scenario.moment(rng, 0.4, 0.8), float(rng.choice([600.0, 1200.0, 3600.0, 14_400.0]))
            )


def _mixed(scenario: Scenario, rng: Rng) -> None:
    """Two or three things in one job."""
    for change in rng.choice(np.array([_machine_failure, _leak, _cold_snap, _probe_faults, _outages, _airing, _swings],
                                      dtype=object), int(rng.integers(2, 4)), replace=False):  # fmt: skip
        change(scenario, rng)
    if scenario.sleeves and rng.random() < 0.5:
        location = scenario.sleeves[int(rng.integers(len(scenario.sleeves)))]
        reopen(scenario, location, scenario.moment(rng, 0.5, 0.8), float(rng.choice([600.0, 3600.0])))


FAMILIES: dict[str, Family] = {
    "healthy": Family(Needs(), _nothing, "dries as it should"),
    "slow_but_healthy": Family(
        Needs(sleeves=(2, 5), voids=(0, 2), days=(35, 90)), _slow, "dries slowly, by physics alone"
    ),
    "stall_humid_air": Family(
        Needs(cavities=(1, 4), days=(35, 70)), _stall, "the air is, or becomes, as wet as what should dry"
    ),
    "machine_failure": Family(Needs(), _machine_failure, "a dehumidifier stops, at times with the heating"),
    "cold_snap": Family(
        Needs(months=_WINTER, cavities=(1, 4), voids=(1, 2)), _cold_snap, "some days of hard frost; nothing leaks"
    ),
    "leak": Family(Needs(cavities=(1, 4), voids=(0, 2), days=(30, 70)), _leak, "something gets wet again"),
    "ground_moisture": Family(
        Needs(sleeves=(2, 6), cavities=(0, 1), voids=(0, 1), days=(30, 90)), _ground, "wet ground feeds the slab"
    ),
    "probe_fault": Family(Needs(cavities=(1, 4), voids=(1, 2)), _probe_faults, "probes fail, each kind in turn"),
    "outage_backlog": Family(Needs(), _outages, "the gateway is away for hours to days; then all comes at once"),
    "daily_swings": Family(Needs(cavities=(1, 4)), _swings, "heating and machines by day only; sun on the walls"),
    "condensation": Family(
        Needs(months=_WINTER, climates=("nordic", "continental", "alpine", "maritime"), machine="good"),
        _condensation,
        "water condenses on cold surfaces while the building dries",
    ),
    "unreachable": Family(
        Needs(machine="weak", cavities=(1, 3), days=(30, 70)), _unreachable, "goals below what this air allows"
    ),
    "airing": Family(
        Needs(months=_SUMMER, cavities=(0, 3), voids=(1, 3), machine="good"), _airing, "humid weather, and no leak"
    ),
    "timber": Family(
        Needs(sleeves=(0, 1), cavities=(0, 2), voids=(1, 3), days=(35, 90)), _timber, "the air dries before the joists"
    ),
    "sleeves": Family(
        Needs(sleeves=(4, 9), cavities=(0, 1), voids=(0, 1), days=(21, 40)), _sleeves, "many sleeves, some opened again"
    ),
    "sound": Family(
        Needs(months=_WINTER, climates=("nordic", "continental", "alpine"), cavities=(2, 5), voids=(0, 1)),
        _sound,
        "nothing is wet; nothing should be said",
    ),
    "mixed": Family(Needs(cavities=(1, 3), voids=(1, 2), days=(35, 80)), _mixed, "several of these at once"),
}
