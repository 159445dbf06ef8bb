"""The air of all rooms, cavities and voids as one network, solved together in each step, implicit in time.

Each node of air has one lining, one piece of timber, one cold leaf that water may condense on, and perhaps a
machine. Every flux that leaves one store enters another or the ledger, so the water adds up to rounding error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgesv

from simulators.building.materials import TABLE_POINTS, Table

Array = NDArray[np.float64]

R_VAPOUR = 461.5
"""Gas constant of water vapour. [J/(kg K)]"""


@dataclass(frozen=True)
class Forcing:
    """What drives the air, (step, node) unless said."""

    capacity: Array
    """Vapour that a node holds per pascal. [kg/Pa]"""
    saturation: Array
    """Saturation pressure at the air's temperature, over water. [Pa]"""
    lining_saturation: Array
    leaf_saturation: Array
    outdoor_g: Array
    """Exchange with outdoors. [kg/(s Pa)]"""
    outdoor_pa: Array
    """(step,)"""
    source: Array
    """Vapour released into the air. [kg/s]"""
    leak: Array
    """Liquid water onto the lining. [kg/s]"""
    machine_g: Array
    machine_low: Array
    machine_on: Array
    """1 where switched on."""
    emptied: NDArray[np.bool_]
    between_share: Array
    """What is left of each node's exchange with its neighbour: 1, or less while it is shut off."""

    def tiled(self, first: int, every: int, steps: int) -> Forcing:
        """The steps from `first` on, averaged over `every` steps each, again and again for `steps` long steps."""
        columns: dict[str, Any] = {name: tile(values, first, every, steps) for name, values in vars(self).items()}
        return Forcing(**columns)


def tile(values: Array, first: int, every: int, steps: int) -> Array:
    """A stretch of a series averaged over `every` steps and repeated."""
    tail = values[first:]
    tail = tail[: len(tail) // every * every]
    means = tail.reshape(len(tail) // every, every, *tail.shape[1:])
    short = means.max(axis=1) if values.dtype == bool else means.mean(axis=1)
    return np.asarray(short[np.arange(steps) % len(short)])


@dataclass(frozen=True)
class AirParts:
    """What belongs to each node, (node,) unless said."""

    lining_full: Array
    """[kg]"""
    lining_g: Array
    """[kg/(s Pa)]"""
    lining_tables: tuple[Table, ...]
    deep_g: Array
    """Feed from wet ground into the lining. [kg/(s Pa)]"""
    skin_kg: Array
    core_kg: Array
    core_lag_s: Array
    timber_g: Array
    timber_tables: tuple[Table, ...]
    leaf_g: Array
    between: Array
    """Exchange of each node with its neighbour. [kg/(s Pa)]"""
    neighbour: NDArray[np.intp]
    tank_kg: Array
    """Infinite where there is none."""
    humidistat: Array
    """Humidity at which the machine rests, 0..1; 0: never."""


@dataclass
class Ledger:
    """Water that came in and went out of each node since the start, (node,). [kg]"""

    vented: Array
    machines: Array
    leaks: Array
    released: Array
    ground: Array

    def net(self) -> float:
        """What came in less what went out. [kg]"""
        return float((self.leaks + self.released + self.ground - self.vented - self.machines).sum())


@dataclass
class AirState:
    """Water in each node and its things. [kg], timber [% of dry mass]"""

    vapour: Array
    liquid: Array
    lining: Array
    skin_pct: Array
    core_pct: Array
    tank: Array
    resting: Array
    ledger: Ledger


class AirNetwork:
    """Steps the air."""

    def __init__(self, parts: AirParts, state: AirState) -> None:
        self.parts, self.state = parts, state
        n = self.n = len(parts.lining_full)
        tables = [*parts.lining_tables, *parts.timber_tables]
        humidity = np.concatenate([t.humidity for t in tables])
        self._humidity = humidity
        self._rise = np.append(np.diff(humidity), 0.0)
        self._row = np.arange(2 * n) * TABLE_POINTS
        self._full = np.concatenate(
            [parts.lining_full, parts.skin_kg * np.array([t.full for t in parts.timber_tables]) / 100.0]
        )
        self._scale = (TABLE_POINTS - 1) / self._full
        self._g = np.concatenate([parts.lining_g, parts.timber_g])
        self._skin_share = parts.skin_kg / 100.0
        self._inward = 1.0 / parts.core_lag_s
        self._core_per_skin = parts.core_kg / parts.skin_kg
        self._saturation, self._content, self._both = np.empty(2 * n), np.empty(2 * n), np.empty(2 * n)
        self._links = np.zeros((n, n))
        self._links_share = np.full(n, np.nan)
        self._has_tank = bool(np.isfinite(parts.tank_kg).any())

    def vapour_pressure(self, capacity: Array) -> Array:
        """Vapour pressure of each node. [Pa]"""
        return self.state.vapour / capacity

    def total(self) -> float:
        """All water in air, linings, timber and on leaves. [kg]"""
        s, p = self.state, self.parts
        timber = s.skin_pct * p.skin_kg / 100.0 + s.core_pct * p.core_kg / 100.0
        return float((s.vapour + s.liquid + s.lining + timber).sum())

    def running(self, on: Array) -> Array:
        """Which of the machines that are switched on draw water: 1 or 0."""
        return np.asarray(on * (1.0 - self.state.resting) * (self.state.tank < self.parts.tank_kg))

    def _materials(self, f: Forcing, i: int, dt: float) -> tuple[Array, Array]:
        """Vapour pressure at linings and timber, and the exchange that stays stable over the step."""
        n, s = self.n, self.state
        x, saturation = self._content, self._saturation
        x[:n] = s.lining
        np.multiply(s.skin_pct, self._skin_share, out=x[n:])
        x *= self._scale
        np.minimum(x, TABLE_POINTS - 1, out=x)  # fuller than full: humidity 1
        np.maximum(x, 0.0, out=x)
        at = x.astype(np.intp)
        cell = np.minimum(at, TABLE_POINTS - 2) + self._row
        rise = self._rise[cell]
        h = self._humidity[cell] + (x - (cell - self._row)) * rise
        saturation[:n] = f.lining_saturation[i]
        saturation[n:] = f.saturation[i]
        # conductance that the falling content of the material leaves over the step: g c / (c + g dt)
        loss = np.maximum(rise, 1e-6) * saturation * self._scale
        return h * saturation, self._g / (1.0 + self._g * dt * loss)

    def _machines(self, f: Forcing, i: int, p: Array) -> Array:
        """Conductance of the machines that really run."""
        s, parts = self.state, self.parts
        if self._has_tank:
            s.tank[f.emptied[i]] = 0.0
        rh = p / f.saturation[i]
        s.resting[rh < parts.humidistat - 0.02] = 1.0
        s.resting[rh > parts.humidistat + 0.02] = 0.0
        return np.asarray(f.machine_g[i] * self.running(f.machine_on[i]) * (p > f.machine_low[i]))

    def _leaves(self, leaf: Array, p: Array, dt: float) -> Array:
        """Conductance of the leaves that are wet or getting wet; what is on a leaf must last for the step.

        The leaf may owe a little water at the end of a step in which it dries off; it pays before it is wet again.
        """
        liquid, over = self.state.liquid, p > leaf
        if not over.any() and not liquid.any():
            return np.zeros(self.n)
        maximum = np.maximum(liquid, 0.0) / (dt * np.maximum(leaf - p, 1e-3))
        return np.where(over, self.parts.leaf_g, np.minimum(self.parts.leaf_g, maximum))

    def _between(self, f: Forcing, i: int) -> Array:
        """The exchange between nodes as a matrix that maps pressures to what leaves each node. [kg/(s Pa)]"""
        share = f.between_share[i]
        if not np.array_equal(share, self._links_share):
            links = np.zeros((self.n, self.n))
            for a, b in enumerate(self.parts.neighbour):
                if b >= 0:
                    g = self.parts.between[a] * share[a]
                    links[[a, b], [a, b]] += g
                    links[[a, b], [b, a]] -= g
            self._links, self._links_share = links, share.copy()
        return self._links

    def step(self, f: Forcing, i: int, dt: float, face_g: Array, face_gp: Array) -> Array:
        """Move the air on by one step.

        Parameters
        ----------
        face_g, face_gp : sum of the slab faces' conductances at each node, and of conductance times pressure.

        Returns
        -------
        New vapour pressure of each node. [Pa]
        """
        s, n = self.state, self.n
        capacity, leaf, low, g_out = f.capacity[i], f.leaf_saturation[i], f.machine_low[i], f.outdoor_g[i]
        old = s.vapour / capacity
        p_mat, g_mat = self._materials(f, i, dt)
        g_machine, g_leaf, links = self._machines(f, i, old), self._leaves(leaf, old, dt), self._between(f, i)
        gp_mat = g_mat * p_mat
        gp_out, gp_leaf, gp_low = g_out * f.outdoor_pa[i], g_leaf * leaf, g_machine * low
        matrix = links.copy()
        matrix.ravel()[:: n + 1] += capacity / dt + g_mat[:n] + g_mat[n:] + g_machine + g_leaf + g_out + face_g
        right = s.vapour / dt + f.source[i] + gp_mat[:n] + gp_mat[n:] + gp_low + gp_leaf + gp_out + face_gp
        _, _, p, failed = dgesv(matrix, right)
        if failed:
            raise ArithmeticError(f"the equations of the air could not be solved (LAPACK info {failed})")
        self._both[:n] = self._both[n:] = p
        from_mat = dt * (gp_mat - g_mat * self._both)
        from_leaf, drawn = dt * (gp_leaf - g_leaf * p), dt * (g_machine * p - gp_low)
        vented, released = dt * (g_out * p - gp_out), dt * f.source[i]
        from_faces = dt * (face_gp - face_g * p) - dt * (links @ p)
        s.vapour = s.vapour + from_mat[:n] + from_mat[n:] + from_leaf + from_faces + released - drawn - vented
        self._book_materials(f, i, dt, p_mat, from_mat, from_leaf)
        s.tank += drawn
        s.ledger.vented += vented
        s.ledger.machines += drawn
        s.ledger.released += released
        return np.asarray(p)

    def _book_materials(self, f: Forcing, i: int, dt: float, p_mat: Array, from_mat: Array, from_leaf: Array) -> None:
        """Take from linings, timber and leaves what they gave, and give them what reaches them."""
        s, n = self.state, self.n
        s.liquid -= from_leaf
        leaked = dt * f.leak[i]
        fed = dt * self.parts.deep_g * np.maximum(f.lining_saturation[i] - p_mat[:n], 0.0)
        s.lining += leaked + fed - from_mat[:n]
        inward = dt * self._inward * (s.skin_pct - s.core_pct)
        s.core_pct += inward
        s.skin_pct -= from_mat[n:] / self._skin_share + inward * self._core_per_skin
        s.ledger.leaks += leaked
        s.ledger.ground += fed
