"""A wet building in a weather, marched through time: its air, and the slabs that dry into it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulators.building.air import AirNetwork, Forcing, tile
from simulators.building.boundary_conditions import SlabForcing, air_forcing, node_temperatures, psat, slab_forcing
from simulators.building.climate import Weather, lagged
from simulators.building.materials import diffusivity_temperature_factor, humidity_at_temperature
from simulators.building.spin_up import air_parts, first_air, first_slabs
from simulators.building.structure import Building

Array = NDArray[np.float64]

AIR_EVERY, SLAB_EVERY = 2, 2
"""The air takes one step for so many of the weather's, and the slabs one for so many of the air's."""


@dataclass
class SimulatedHistory:
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


class _Shape:
    """What never changes about the slabs, as arrays."""

    def __init__(self, b: Building, depth_m: Array) -> None:
        n = len(b.slabs)
        self.areas = np.array([s.area_m2 for s in b.slabs])
        bottoms = [s.face_g if s.below is not None else s.feed_g for s in b.slabs]
        self.face_g = np.array([[s.face_g, g] for s, g in zip(b.slabs, bottoms, strict=True)]).reshape(n, 2)
        self.fed = np.array([s.below is None for s in b.slabs], dtype=bool)
        """Those whose underside meets the ground, if anything."""
        self.beyond = np.array([[b.node(s.room), b.node(s.below or s.room)] for s in b.slabs], dtype=np.intp).reshape(
            n, 2
        )
        """The node of air beyond each face."""
        self.to_node = np.zeros((len(b.nodes), 2 * n))
        for k, slab in enumerate(b.slabs):
            self.to_node[b.node(slab.room), 2 * k] = slab.area_m2
            if slab.below is not None:
                self.to_node[b.node(slab.below), 2 * k + 1] = slab.area_m2
        self.down = depth_m / np.array([s.thickness_mm / 1000.0 for s in b.slabs]).reshape(n, 1)
        """Depth of each cell as a share of the thickness."""
        middle = np.array([s.leak_depth_share for s in b.slabs]).reshape(n, 1)
        where = np.exp(-(((self.down - middle) / 0.3) ** 2))
        self.leak = where / np.maximum(where.sum(axis=1, keepdims=True), 1e-12)
        """Share of a leak that each cell takes."""


class Simulation:
    """A building in a weather, ready to march."""

    def __init__(self, building: Building, weather: Weather, rng: np.random.Generator) -> None:
        self.building, self.weather = building, weather
        self.dt = weather.step_s
        warm = node_temperatures(building, weather, rng)
        self.air_c, self.leaf_c = warm.air_c, warm.leaf_c
        self.forcing = air_forcing(building, weather, warm)
        self.slab_forcing = slab_forcing(building, weather, warm.air_c)
        self.air = AirNetwork(air_parts(building, self.forcing, warm.air_c), first_air(building, self.forcing))
        self.slabs = first_slabs(building)
        self._activation = np.array([slab.concrete.activation_k for slab in building.slabs])
        self._shape = _Shape(building, self.slabs.depth)
        self.history: SimulatedHistory
        self.fed = 0.0
        self.leaked = 0.0

    def total(self) -> float:
        """All water in the building. [kg]"""
        return self.air.total() + float((self.slabs.total() * self._shape.areas).sum())

    def came_in(self) -> float:
        """All water that came in less what went out since the start. [kg]"""
        return self.air.state.ledger.net() + self.fed + self.leaked

    def run(self) -> SimulatedHistory:
        """March through the weather."""
        w = self.weather
        coarse = self._run(0, AIR_EVERY, len(w.time_s) // AIR_EVERY, w.time_s[0], SLAB_EVERY)
        humidity = coarse.depth_humidity

        def fine(values: Array) -> Array:
            columns = [np.interp(w.time_s, coarse.time_s, column) for column in values.T]
            return np.column_stack(columns) if columns else np.empty((len(w.time_s), 0))

        self.history = replace(
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
        return self.history

    def run_on(self, first: int, every: int, steps: int, start_s: float) -> SimulatedHistory:
        """March on from a time, with the conditions since step `first` again and again, in steps `every` as long."""
        return self._run(first, every, steps, start_s, 1)

    def _run(self, first: int, every: int, steps: int, start_s: float, slab_every: int) -> SimulatedHistory:
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
    ) -> SimulatedHistory:
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
        warmth = np.ones((self.slabs.n, self.slabs.cells))
        out = np.zeros((self.slabs.n, 2))
        node_g, node_gp = np.zeros(nodes), np.zeros(nodes)
        flat_node = self._shape.to_node
        for i in range(n):
            if has_slabs and i % every == 0:
                warmth = self._warmth(sf, i)
                face_p, face_g = self._faces(sf, i, warmth, dt * every)
                node_g = flat_node @ face_g.ravel()
                node_gp = flat_node @ (face_g * face_p).ravel()
                out[:] = 0.0
            p = self.air.step(f, i, dt, node_g, node_gp)
            pressure[i] = p
            timber[i] = state.skin_pct * skin_part + state.core_pct * core_part
            running[i] = self.air.running(f.machine_on[i])
            if has_slabs:
                beyond = p[self._shape.beyond]
                beyond[self._shape.fed, 1] = sf.feed_pa[i][self._shape.fed]
                out += face_g * (face_p - beyond)
                if i % every == every - 1:
                    self._step_slabs(sf, i, warmth, dt * every, out / every)
                if pick is not None:
                    content[i] = pick(self.slabs.water)
        depth_h, depth_c = self._depth_course(content, which, sf)
        return SimulatedHistory(
            weather.time_s, air_c, pressure, psat(air_c), leaf_c, timber, depth_h, depth_c, weather, running
        )

    def _faces(self, sf: SlabForcing, i: int, warmth: Array, dt: float) -> tuple[Array, Array]:
        """Vapour pressure at the faces and the exchange with it, such that their flux is implicit over a step.

        A face's content changes by what comes from within less what leaves; its pressure follows by its slope. So
        the flux F = g (p + a (S - F) - p_air), with a the rise of pressure for a flux into the cell, is solved for F.
        """
        faces = self.slabs.faces(dt, warmth)
        warm = np.column_stack([sf.top_c[i], sf.bottom_c[i]])
        saturation = np.column_stack([sf.top_saturation[i], sf.bottom_saturation[i]])
        rise = np.maximum(faces.slope, 1e-5) * saturation * faces.answer
        pressure = humidity_at_temperature(faces.humidity, warm) * saturation + rise * faces.supply
        g = self._shape.face_g
        return np.clip(pressure, 0.0, saturation), g / (1.0 + g * rise)

    def _warmth(self, sf: SlabForcing, i: int) -> Array:
        """Temperature factor of the diffusivity in each cell."""
        top, bottom = (diffusivity_temperature_factor(c[i], self._activation)[:, None] for c in (sf.top_c, sf.bottom_c))
        return np.asarray(top + (bottom - top) * self._shape.down)

    def _step_slabs(self, sf: SlabForcing, i: int, warmth: Array, dt: float, out: Array) -> None:
        leak = sf.leak[i]
        source = leak[:, None] * self._shape.leak if leak.any() else None
        self.slabs.step(dt, out[:, 0], out[:, 1], warmth, source)
        self.fed -= float((out[:, 1] * self._shape.areas)[self._shape.fed].sum()) * dt
        self.leaked += float((leak * self._shape.areas).sum()) * dt

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
