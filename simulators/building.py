"""A wet building: rooms, slabs with sleeves, cavities and voids, put together and marched through time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from monitord.physics.moist_air import saturation_vapour_pressure
from simulators import events as ev
from simulators.air import R_VAPOUR, AirNetwork, AirParts, AirState, Forcing, Ledger, tile
from simulators.climate import Weather, lagged
from simulators.enclosed import Cavity, Lining, Timber, Void, cavity_temperatures, void_temperatures
from simulators.events import Event
from simulators.materials import (
    Concrete,
    Table,
    diffusivity_temperature_factor,
    humidity_at_temperature,
    lining_table,
    timber_table,
)
from simulators.room import Room, air_change, capacity, emptied, machine_runs, temperatures
from simulators.slab import Slabs, SlabShape

Array = NDArray[np.float64]

AIR_EVERY, SLAB_EVERY = 2, 2
"""The air takes one step for so many of the weather's, and the slabs one for so many of the air's."""
_NONE = Timber(dry_kg=1e-3, start_pct=10.0)


@dataclass(frozen=True)
class Slab:
    """A slab or screed below a room."""

    id: str
    room: str
    thickness_mm: float
    area_m2: float
    concrete: Concrete = field(default_factory=Concrete)
    humidity: float = 0.97
    """Humidity throughout at the start, 0..1."""
    top_humidity: float | None = None
    """Humidity at the drying face at the start, rising inward over a third; none: as the rest."""
    below: str | None = None
    """Id of the room or void that its underside dries into; none: sealed below."""
    feed_g: float = 0.0
    """Feed from wet ground below. [kg/(m² s Pa)]"""
    feed_humidity: float = 1.0
    face_g: float = 1.2e-8
    """Exchange of vapour between a face and the air. [kg/(m² s Pa)]"""
    ground_share: float = 0.35
    """Its underside's temperature between the room (0) and the ground (1)."""
    leak_depth_share: float = 0.6
    """Where a leak comes into it."""


@dataclass(frozen=True)
class Depth:
    """A depth of a slab that is watched."""

    slab: str
    depth_mm: float


@dataclass(frozen=True)
class Building:
    """All its parts."""

    zone: str
    rooms: tuple[Room, ...]
    slabs: tuple[Slab, ...] = ()
    cavities: tuple[Cavity, ...] = ()
    voids: tuple[Void, ...] = ()
    depths: tuple[Depth, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def nodes(self) -> tuple[Room | Cavity | Void, ...]:
        """All nodes of air, in the order of every array."""
        return (*self.rooms, *self.cavities, *self.voids)

    def node(self, part_id: str) -> int:
        """Place of a room, cavity or void among the nodes."""
        return [part.id for part in self.nodes].index(part_id)


@dataclass
class Course:
    """What happened, (step, node) or (step, depth)."""

    time_s: Array
    temperature_c: Array
    vapour_pressure_pa: Array
    saturation_pa: Array
    leaf_c: Array
    timber_pct: Array
    depth_humidity: Array
    """Humidity in the concrete at each depth, at its present temperature, 0..1."""
    depth_c: Array
    weather: Weather
    machine_on: Array = field(default_factory=lambda: np.empty(0))
    """1 where a machine truly draws water, (step, node)."""

    def relative_humidity(self) -> Array:
        """Of the air, over water, (step, node). [%]"""
        return np.asarray(100.0 * self.vapour_pressure_pa / self.saturation_pa)


def _psat(temperature_c: Array) -> Array:
    return np.asarray(saturation_vapour_pressure(temperature_c, "water"))


@dataclass(frozen=True)
class SlabForcing:
    """What drives the slabs, (step, slab)."""

    top_c: Array
    bottom_c: Array
    top_saturation: Array
    bottom_saturation: Array
    feed_pa: Array
    leak: Array


class Simulation:
    """A building in a weather, ready to march."""

    def __init__(self, building: Building, weather: Weather, rng: np.random.Generator) -> None:
        self.building, self.weather = building, weather
        self.dt = float(weather.time_s[1] - weather.time_s[0])
        self._temperatures(rng)
        self.forcing = self._forcing()
        self.slab_forcing = self._drive_slabs()
        self.air = AirNetwork(self._parts(), self._first_air())
        self.slabs = self._first_slabs()
        self.course: Course
        self.fed = 0.0
        self.leaked = 0.0

    # ---- what is known before any water moves

    def _temperatures(self, rng: np.random.Generator) -> None:
        b, w = self.building, self.weather
        airs, leaves = [], []
        self._changes, self._runs = [], []
        for room in b.rooms:
            changes = air_change(room, w, b.events, rng)
            runs = machine_runs(room, w.time_s, b.zone, b.events)
            air, _ = temperatures(room, w, b.zone, b.events, changes, runs)
            airs.append(air)
            outside = lagged(w.temperature_c, self.dt, room.surface_lag_s)
            leaves.append(outside + room.f_rsi * (lagged(air, self.dt, 0.5 * room.surface_lag_s) - outside))
            self._changes.append(changes)
            self._runs.append(runs)
        of_room = {room.id: air for room, air in zip(b.rooms, airs, strict=True)}
        for cavity in b.cavities:
            air, leaf = cavity_temperatures(cavity, of_room[cavity.room], w, self.dt)
            airs.append(air)
            leaves.append(leaf)
        for void in b.voids:
            air, leaf = void_temperatures(void, of_room[void.room], w, self.dt)
            airs.append(air)
            leaves.append(leaf)
        self.air_c, self.leaf_c = np.column_stack(airs), np.column_stack(leaves)

    def _forcing(self) -> Forcing:
        b, w, t = self.building, self.weather, self.weather.time_s
        nodes = b.nodes
        volumes = np.array([part.volume_m3 for part in nodes])
        capacity_kg_pa = volumes / (R_VAPOUR * (self.air_c + 273.15))
        saturation = _psat(self.air_c)
        changes, lining_c, pane_c = np.zeros_like(self.air_c), self.air_c.copy(), self.leaf_c.copy()
        shape = self.air_c.shape
        g_machine, low, on = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        empties, shut = np.zeros(shape, dtype=bool), np.ones(shape)
        for k, part in enumerate(nodes):
            vents = ev.of(b.events, part.id, ev.VENTS_SHUT)
            share = np.ones(len(t))
            for event in vents:
                share[event.on(t)] = event.amount
            if isinstance(part, Room):
                changes[:, k] = self._changes[k]
                outside = lagged(w.temperature_c, self.dt, 1800.0)
                pane_c[:, k] = outside + part.window_factor * (self.air_c[:, k] - outside)
                if part.machine is not None:
                    g_machine[:, k], low[:, k] = capacity(part.machine, self.air_c[:, k], saturation[:, k])
                    on[:, k] = self._runs[k]
                    empties[:, k] = emptied(part.machine, t, b.zone)
            else:
                changes[:, k] = part.outdoor_changes_h * (share if isinstance(part, Void) else 1.0)
                shut[:, k] = share if isinstance(part, Cavity) else 1.0
                if isinstance(part, Void):
                    lining_c[:, k] = 0.35 * self.air_c[:, k] + 0.65 * w.ground_c
        ids = [part.id for part in nodes]
        return Forcing(
            capacity=capacity_kg_pa,
            saturation=saturation,
            lining_saturation=_psat(lining_c),
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

    def _drive_slabs(self) -> SlabForcing:
        b, w, n = self.building, self.weather, len(self.weather.time_s)
        top, bottom = np.zeros((n, len(b.slabs))), np.zeros((n, len(b.slabs)))
        feed, leak = np.zeros((n, len(b.slabs))), np.zeros((n, len(b.slabs)))
        for k, slab in enumerate(b.slabs):
            room_c = self.air_c[:, b.node(slab.room)]
            below_c = w.ground_c if slab.below is None else self.air_c[:, b.node(slab.below)]
            top_side = lagged(room_c, self.dt, 2.5 * 3600.0)
            bottom_side = lagged(room_c, self.dt, 14 * 3600.0)
            bottom[:, k] = bottom_side + slab.ground_share * (lagged(below_c, self.dt, 6 * 3600.0) - bottom_side)
            top[:, k] = top_side + 0.25 * slab.ground_share * (bottom[:, k] - top_side)
            wet = np.full(n, slab.feed_humidity)
            for event in ev.of(b.events, slab.id, ev.GROUND_RISE):
                wet[event.on(w.time_s)] = event.amount
            feed[:, k] = wet
            leak[:, k] = ev.sum_of(ev.of(b.events, slab.id, ev.LEAK), w.time_s) / slab.area_m2
        bottom_saturation = _psat(bottom)
        return SlabForcing(top, bottom, _psat(top), bottom_saturation, feed * bottom_saturation, leak)

    def _parts(self) -> AirParts:
        b = self.building
        linings = [_lining(part) for part in b.nodes]
        timbers = [part.timber if not isinstance(part, Room) else _NONE for part in b.nodes]
        mean_c = self.air_c.mean(axis=0)
        mean_capacity = self.forcing.capacity.mean(axis=0)
        mean_saturation = self.forcing.saturation.mean(axis=0)
        skin = np.array([t.dry_kg * t.skin_share for t in timbers])
        between, neighbour, leaf = [], [], []
        for k, part in enumerate(b.nodes):
            leaf.append(2.5e-8 * (part.window_m2 if isinstance(part, Room) else part.leaf_m2))
            changes = 0.0 if isinstance(part, Room) else part.room_changes_h
            between.append(changes / 3600.0 * mean_capacity[k])
            neighbour.append(-1 if isinstance(part, Room) else b.node(part.room))
        machines = [part.machine if isinstance(part, Room) else None for part in b.nodes]
        return AirParts(
            lining_full=np.array([x.area_m2 * x.full_kg_m2 for x in linings]),
            lining_g=np.array([x.area_m2 * x.g for x in linings]),
            lining_tables=tuple(lining_table(x.knee) for x in linings),
            deep_g=np.array([x.area_m2 * x.deep_g for x in linings]),
            skin_kg=skin,
            core_kg=np.array([t.dry_kg * (1 - t.skin_share) for t in timbers]),
            core_lag_s=np.array([t.lag_days * 86_400.0 for t in timbers]),
            timber_g=skin * 0.4 / (mean_saturation * np.array([t.skin_lag_h * 3600.0 for t in timbers])),
            timber_tables=tuple(timber_table(float(np.clip(5.0 * round(c / 5.0), -10, 35))) for c in mean_c),
            leaf_g=np.array(leaf),
            between=np.array(between),
            neighbour=np.array(neighbour, dtype=np.intp),
            tank_kg=np.array([m.tank_kg if m is not None and m.tank_kg is not None else np.inf for m in machines]),
            humidistat=np.array([(m.humidistat_pct or 0.0) / 100.0 if m is not None else 0.0 for m in machines]),
        )

    def _first_air(self) -> AirState:
        b, f = self.building, self.forcing
        linings = [_lining(part) for part in b.nodes]
        timbers = [part.timber if not isinstance(part, Room) else _NONE for part in b.nodes]
        full = np.array([x.area_m2 * x.full_kg_m2 for x in linings])
        share = np.array([_share(x) for x in linings])
        zeros = np.zeros(len(linings))
        start = np.array([t.start_pct for t in timbers])
        return AirState(
            vapour=0.5 * f.saturation[0] * f.capacity[0] + 0.5 * f.outdoor_pa[0] * f.capacity[0],
            liquid=zeros.copy(),
            lining=full * share,
            skin_pct=start.copy(),
            core_pct=start.copy(),
            tank=zeros.copy(),
            resting=zeros.copy(),
            ledger=Ledger(*(zeros.copy() for _ in range(5))),
        )

    def _first_slabs(self) -> Slabs:
        b = self.building
        slabs = Slabs([SlabShape(s.thickness_mm / 1000.0, s.concrete, s.below is not None) for s in b.slabs])
        for k, slab in enumerate(b.slabs):
            profile = np.full(slabs.cells, slab.humidity)
            if slab.top_humidity is not None:
                inward = np.clip(slabs.depth[k] / (slab.thickness_mm / 3000.0), 0.0, 1.0)
                profile = slab.top_humidity + (slab.humidity - slab.top_humidity) * inward
            slabs.set_humidity(k, profile)
        self._areas = np.array([s.area_m2 for s in b.slabs])
        self._face_g = np.array([[s.face_g, s.face_g if s.below is not None else 0.0] for s in b.slabs]).reshape(-1, 2)
        self._feed_g = np.array([s.feed_g for s in b.slabs])
        self._to_node = np.zeros((len(b.nodes), 2 * len(b.slabs)))
        for k, slab in enumerate(b.slabs):
            self._to_node[b.node(slab.room), 2 * k] = slab.area_m2
            if slab.below is not None:
                self._to_node[b.node(slab.below), 2 * k + 1] = slab.area_m2
        self._down = slabs.depth / np.array([s.thickness_mm / 1000.0 for s in b.slabs]).reshape(-1, 1)
        where = np.exp(-(((self._down - np.array([s.leak_depth_share for s in b.slabs]).reshape(-1, 1)) / 0.3) ** 2))
        self._leak_shape = where / np.maximum(where.sum(axis=1, keepdims=True), 1e-12)
        return slabs

    # ---- the march

    def total(self) -> float:
        """All water in the building. [kg]"""
        return self.air.total() + float((self.slabs.total() * self._areas).sum())

    def came_in(self) -> float:
        """All water that came in less what went out since the start. [kg]"""
        return self.air.state.ledger.net() + self.fed + self.leaked

    def run(self) -> Course:
        """March through the weather."""
        w = self.weather
        coarse = self._run(0, AIR_EVERY, len(w.time_s) // AIR_EVERY, w.time_s[0], SLAB_EVERY)
        humidity = coarse.depth_humidity

        def fine(values: Array) -> Array:
            columns = [np.interp(w.time_s, coarse.time_s, column) for column in values.T]
            return np.column_stack(columns) if columns else np.empty((len(w.time_s), 0))

        self.course = replace(
            coarse,
            time_s=w.time_s,
            temperature_c=self.air_c,
            vapour_pressure_pa=fine(coarse.vapour_pressure_pa),
            saturation_pa=self.forcing.saturation,
            leaf_c=self.leaf_c,
            timber_pct=fine(coarse.timber_pct),
            depth_humidity=fine(humidity),
            depth_c=fine(coarse.depth_c),
            machine_on=fine(coarse.machine_on),
            weather=w,
        )
        return self.course

    def run_on(self, first: int, every: int, steps: int, start_s: float) -> Course:
        """March on from a time, with the conditions since step `first` again and again, in steps `every` as long."""
        return self._run(first, every, steps, start_s, 1)

    def _run(self, first: int, every: int, steps: int, start_s: float, slab_every: int) -> Course:
        w, dt = self.weather, every * self.dt
        weather = replace(
            w,
            time_s=np.asarray(start_s + dt * (np.arange(steps) + 1) - self.dt, dtype=np.float64),
            temperature_c=tile(w.temperature_c, first, every, steps),
            vapour_pressure_pa=tile(w.vapour_pressure_pa, first, every, steps),
            sun=tile(w.sun, first, every, steps),
            ground_c=tile(w.ground_c, first, every, steps),
        )
        slabs = SlabForcing(**{name: tile(v, first, every, steps) for name, v in vars(self.slab_forcing).items()})
        air_c, leaf_c = (tile(v, first, every, steps) for v in (self.air_c, self.leaf_c))
        return self._march(self.forcing.tiled(first, every, steps), slabs, weather, air_c, leaf_c, dt, slab_every)

    def _march(
        self, f: Forcing, sf: SlabForcing, weather: Weather, air_c: Array, leaf_c: Array, dt: float, every: int
    ) -> Course:
        b, n = self.building, len(weather.time_s)
        nodes, depths = len(b.nodes), len(b.depths)
        pressure, timber, running = np.empty((n, nodes)), np.empty((n, nodes)), np.zeros((n, nodes))
        content = np.empty((n, depths))
        index = [s.id for s in b.slabs]
        which = np.array([index.index(d.slab) for d in b.depths], dtype=np.intp)
        pick = self.slabs.at_depth(which, np.array([d.depth_mm / 1000.0 for d in b.depths])) if depths else None
        state, parts = self.air.state, self.air.parts
        whole = parts.skin_kg + parts.core_kg
        skin_part, core_part = parts.skin_kg / whole, parts.core_kg / whole
        has_slabs = self.slabs.n > 0
        face_p, face_g = np.zeros((self.slabs.n, 2)), np.zeros((self.slabs.n, 2))
        out = np.zeros((self.slabs.n, 2))
        node_g, node_gp = np.zeros(nodes), np.zeros(nodes)
        flat_node = self._to_node
        for i in range(n):
            if has_slabs and i % every == 0:
                face_p, face_g = self._faces(sf, i, dt * every)
                node_g = flat_node @ face_g.ravel()
                node_gp = flat_node @ (face_g * face_p).ravel()
                out[:] = 0.0
            p = self.air.step(f, i, dt, node_g, node_gp)
            pressure[i] = p
            timber[i] = state.skin_pct * skin_part + state.core_pct * core_part
            running[i] = self.air.running(f.machine_on[i])
            if has_slabs:
                at_faces = (flat_node.T @ p) / np.repeat(self._areas, 2)
                out += face_g * (face_p - at_faces.reshape(-1, 2))
                if i % every == every - 1:
                    self._step_slabs(sf, i, dt * every, out / every, face_p)
                if pick is not None:
                    content[i] = pick(self.slabs.water)
        depth_h, depth_c = self._depth_course(content, which, sf)
        return Course(weather.time_s, air_c, pressure, _psat(air_c), leaf_c, timber, depth_h, depth_c, weather, running)

    def _faces(self, sf: SlabForcing, i: int, dt: float) -> tuple[Array, Array]:
        """Vapour pressure at the faces, and the exchange that stays stable over a step."""
        h, slope = self.slabs.faces()
        warm = np.column_stack([sf.top_c[i], sf.bottom_c[i]])
        saturation = np.column_stack([sf.top_saturation[i], sf.bottom_saturation[i]])
        pressure = humidity_at_temperature(h, warm) * saturation
        cell = self.slabs.dx[:, [0, -1]]
        holds = cell / (np.maximum(slope, 1e-5) * saturation)
        return pressure, self._face_g * holds / (holds + self._face_g * dt)

    def _step_slabs(self, sf: SlabForcing, i: int, dt: float, out: Array, face_p: Array) -> None:
        fed = self._feed_g * (sf.feed_pa[i] - face_p[:, 1])
        top, bottom = (diffusivity_temperature_factor(c[i])[:, None] for c in (sf.top_c, sf.bottom_c))
        warmth = top + (bottom - top) * self._down
        leak = sf.leak[i]
        source = leak[:, None] * self._leak_shape if leak.any() else None
        self.slabs.step(dt, out[:, 0], out[:, 1] - fed, warmth, source)
        self.fed += float((fed * self._areas).sum()) * dt
        self.leaked += float((leak * self._areas).sum()) * dt

    def _depth_course(self, content: Array, which: NDArray[np.intp], sf: SlabForcing) -> tuple[Array, Array]:
        depths = self.building.depths
        humidity, warm = np.empty_like(content), np.empty_like(content)
        for k, (depth, slab) in enumerate(zip(depths, which, strict=True)):
            part = depth.depth_mm / self.building.slabs[slab].thickness_mm
            mixed = sf.top_c[:, slab] + part * (sf.bottom_c[:, slab] - sf.top_c[:, slab])
            warm[:, k] = lagged(mixed, self.dt, 3600.0 * depth.depth_mm / 20.0)
            at_20 = self.slabs.tables[slab].humidity_of(content[:, k])
            humidity[:, k] = humidity_at_temperature(at_20, warm[:, k])
        return humidity, warm


def _lining(part: Room | Cavity | Void) -> Lining:
    if isinstance(part, Room):
        return Lining(part.lining_m2, part.lining_kg_m2, part.lining_humidity, part.lining_knee, part.lining_g)
    return part.lining if isinstance(part, Cavity) else part.ground


def _share(lining: Lining) -> float:
    """Content at the start as a share of full: by its humidity, or directly where `humidity` is above 1."""
    if lining.humidity > 1.0:
        return lining.humidity - 1.0
    table: Table = lining_table(lining.knee)
    return float(table.content(lining.humidity))


def parts_of(building: Building, ids: Sequence[str]) -> list[int]:
    """Places of some parts among the nodes."""
    return [building.node(i) for i in ids]
