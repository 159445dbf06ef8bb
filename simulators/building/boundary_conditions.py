"""What drives the water of a building, known before any of it moves: temperatures, air change, machines, leaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.physics.moist_air import saturation_vapour_pressure
from simulators.building import events as ev
from simulators.building.air import R_VAPOUR, Forcing
from simulators.building.climate import Weather, lagged
from simulators.building.enclosed import Cavity, Void, cavity_temperatures, void_temperatures
from simulators.building.room import Room, air_change, capacity, emptied, machine_runs, temperatures
from simulators.building.structure import Building

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Temperatures:
    """Temperatures of all nodes of air, (step, node), and what of the rooms they were found from."""

    air_c: Array
    leaf_c: Array
    """Of the coldest surface that is watched."""
    changes_h: list[Array]
    """Air changes with outdoors of each room. [1/h]"""
    machine_runs: list[NDArray[np.bool_]]


@dataclass(frozen=True)
class SlabForcing:
    """What drives the slabs, (step, slab)."""

    top_c: Array
    bottom_c: Array
    top_saturation: Array
    bottom_saturation: Array
    feed_pa: Array
    leak: Array


def psat(temperature_c: Array) -> Array:
    """Saturation pressure over water. [Pa]"""
    return np.asarray(saturation_vapour_pressure(temperature_c, "water"))


def node_temperatures(building: Building, weather: Weather, rng: np.random.Generator) -> Temperatures:
    """Temperatures of all nodes; rooms come first, for cavities and voids lie between them and outdoors."""
    airs, leaves, all_changes, all_runs = [], [], [], []
    step = weather.step_s
    for room in building.rooms:
        changes = air_change(room, weather, building.events, rng)
        runs = machine_runs(room, weather.time_s, building.zone, building.events)
        air = temperatures(room, weather, building.zone, building.events, changes, runs)
        outside = lagged(weather.temperature_c, step, room.surface_lag_s)
        airs.append(air)
        leaves.append(outside + room.f_rsi * (lagged(air, step, 0.5 * room.surface_lag_s) - outside))
        all_changes.append(changes)
        all_runs.append(runs)
    of_room = {room.id: air for room, air in zip(building.rooms, airs, strict=True)}
    pairs = [cavity_temperatures(c, of_room[c.room], weather) for c in building.cavities]
    pairs += [void_temperatures(v, of_room[v.room], weather) for v in building.voids]
    air_c = np.column_stack(airs + [air for air, _ in pairs])
    return Temperatures(air_c, np.column_stack(leaves + [leaf for _, leaf in pairs]), all_changes, all_runs)


def air_forcing(b: Building, w: Weather, warm: Temperatures) -> Forcing:
    """What drives the air of all nodes."""
    t, dt = w.time_s, w.step_s
    nodes = b.nodes
    volumes = np.array([part.volume_m3 for part in nodes])
    capacity_kg_pa = volumes / (R_VAPOUR * (warm.air_c + 273.15))
    saturation = psat(warm.air_c)
    changes, lining_c, pane_c = np.zeros_like(warm.air_c), warm.air_c.copy(), warm.leaf_c.copy()
    shape = warm.air_c.shape
    g_machine, low, on = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    empties, shut = np.zeros(shape, dtype=bool), np.ones(shape)
    for k, part in enumerate(nodes):
        vents = ev.of(b.events, part.id, ev.VENTS_SHUT)
        share = np.ones(len(t))
        for event in vents:
            share[event.on(t)] = event.amount
        if isinstance(part, Room):
            changes[:, k] = warm.changes_h[k]
            outside = lagged(w.temperature_c, dt, 1800.0)
            pane_c[:, k] = outside + part.window_factor * (warm.air_c[:, k] - outside)
            if part.machine is not None:
                g_machine[:, k], low[:, k] = capacity(part.machine, warm.air_c[:, k], saturation[:, k])
                on[:, k] = warm.machine_runs[k]
                empties[:, k] = emptied(part.machine, t, b.zone)
        else:
            changes[:, k] = part.outdoor_changes_h * (share if isinstance(part, Void) else 1.0)
            shut[:, k] = share if isinstance(part, Cavity) else 1.0
            if isinstance(part, Void):
                lining_c[:, k] = 0.35 * warm.air_c[:, k] + 0.65 * w.ground_c
    ids = [part.id for part in nodes]
    return Forcing(
        capacity=capacity_kg_pa,
        saturation=saturation,
        lining_saturation=psat(lining_c),
        leaf_saturation=np.asarray(saturation_vapour_pressure(pane_c)),
        outdoor_g=changes / 3600.0 * capacity_kg_pa,
        outdoor_pa=w.vapour_pressure_pa,
        source=np.column_stack([ev.sum_of(ev.of(b.events, i, ev.MOISTURE), t) for i in ids]),
        leak=np.column_stack([ev.sum_of(ev.of(b.events, i, ev.LEAK), t) for i in ids]),
        machine_g=g_machine,
        machine_low=low,
        machine_on=on,
        emptied=empties,
        between_share=shut,
    )


def slab_forcing(b: Building, w: Weather, air_c: Array) -> SlabForcing:
    """What drives the slabs."""
    n, dt = len(w.time_s), w.step_s
    top, bottom = np.zeros((n, len(b.slabs))), np.zeros((n, len(b.slabs)))
    feed, leak = np.zeros((n, len(b.slabs))), np.zeros((n, len(b.slabs)))
    for k, slab in enumerate(b.slabs):
        room_c = air_c[:, b.node(slab.room)]
        below_c = w.ground_c if slab.below is None else air_c[:, b.node(slab.below)]
        top_side = lagged(room_c, dt, 2.5 * 3600.0)
        bottom_side = lagged(room_c, dt, 14 * 3600.0)
        bottom[:, k] = bottom_side + slab.ground_share * (lagged(below_c, dt, 6 * 3600.0) - bottom_side)
        top[:, k] = top_side + 0.25 * slab.ground_share * (bottom[:, k] - top_side)
        wet = np.full(n, slab.feed_humidity)
        for event in ev.of(b.events, slab.id, ev.GROUND_RISE):
            wet[event.on(w.time_s)] = event.amount
        feed[:, k] = wet
        leak[:, k] = ev.sum_of(ev.of(b.events, slab.id, ev.LEAK), w.time_s) / slab.area_m2
    bottom_saturation = psat(bottom)
    return SlabForcing(top, bottom, psat(top), bottom_saturation, feed * bottom_saturation, leak)
