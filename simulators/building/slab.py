"""Slabs in one dimension: water moves by diffusion that depends on humidity; finite volumes, implicit in time.

All slabs of a building are stepped together: one tridiagonal system in which they do not touch each other. What
leaves one cell enters the next, so water is kept to rounding error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgtsv

from simulators.building.materials import TABLE_POINTS, Concrete, Table

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SlabShape:
    """What a slab is, before any water moves."""

    thickness_m: float
    concrete: Concrete
    two_sided: bool = False


def graded_cells(thickness_m: float, cells: int, two_sided: bool, finest: float = 0.25) -> Array:
    """Thickness of each cell from the top down, fine where the slab meets air. [m]

    `finest`: first cell as a share of the mean one.
    """
    half = np.linspace(0.0, 1.0, cells)
    shape = np.minimum(half, 1.0 - half) * 2.0 if two_sided else half
    sizes = finest + (1.0 - finest) * 2.0 * np.clip(shape, 0.0, 1.0)
    return np.asarray(thickness_m * sizes / sizes.sum())


_ENDS = [0, 1, -1, -2]


@dataclass(frozen=True)
class Faces:
    """The faces of all slabs, (slab, 2): top and bottom."""

    humidity: Array
    """Humidity at 20 °C of the outermost cell, 0..1."""
    slope: Array
    """How that humidity rises with water content. [m³/kg]"""
    supply: Array
    """What comes to the cell from within. [kg/(m² s)]"""
    answer: Array
    """By how much a net flux into the cell raises its content over the step. [s/m]"""


class Slabs:
    """The water in all slabs of a building, (slab, cell) from the top down. [kg/m³]"""

    def __init__(self, shapes: Sequence[SlabShape], cells: int = 30, finest: float = 0.25) -> None:
        self.n, self.cells = len(shapes), cells
        self.dx = np.array([graded_cells(s.thickness_m, cells, s.two_sided, finest) for s in shapes])
        self.dx = self.dx.reshape(self.n, cells)
        self.depth = np.cumsum(self.dx, axis=1) - 0.5 * self.dx
        self.tables: list[Table] = [s.concrete.table() for s in shapes]
        self.full = np.array([t.full for t in self.tables])
        self.water = np.zeros((self.n, cells))
        humidity = np.array([t.humidity for t in self.tables]).reshape(self.n, TABLE_POINTS)
        diffusivity = np.array([s.concrete.diffusivity(t.humidity) for s, t in zip(shapes, self.tables, strict=True)])
        self._humidity, self._diffusivity = humidity.ravel(), diffusivity.ravel()
        self._row = (np.arange(self.n) * TABLE_POINTS)[:, None]
        self._between = 0.5 * (self.dx[:, 1:] + self.dx[:, :-1])
        self._scale = ((TABLE_POINTS - 1) / self.full)[:, None]

    def set_humidity(self, slab: int, humidity: Array) -> None:
        """Fill a slab to a humidity in each cell (or one for all)."""
        self.water[slab] = self.tables[slab].content(humidity)

    def _location(self, water: Array) -> tuple[NDArray[np.intp], Array]:
        x = water * self._scale
        np.clip(x, 0.0, TABLE_POINTS - 1.000001, out=x)
        at = x.astype(np.intp)
        return at + self._row, x - at

    def faces(self, dt_s: float, warmth: Array) -> Faces:
        """How the top and bottom cells stand, and how they would answer a flux over a step."""
        at, part = self._location(self.water[:, _ENDS])
        low, rise = self._humidity[at], self._humidity[at + 1] - self._humidity[at]
        full = self.water[:, _ENDS] >= self.full[:, None]
        d_low = self._diffusivity[at]
        d = (d_low + part * (self._diffusivity[at + 1] - d_low)) * warmth[:, _ENDS]
        # ends are: top cell, its neighbour, bottom cell, its neighbour
        k = 0.5 * (d[:, [0, 2]] + d[:, [1, 3]]) / self._between[:, [0, -1]]
        ends = self.water[:, _ENDS]
        return Faces(
            humidity=np.where(full, 1.0, low + part * rise)[:, [0, 2]],
            slope=rise[:, [0, 2]] * self._scale,
            supply=k * (ends[:, [1, 3]] - ends[:, [0, 2]]),
            answer=dt_s / (self.dx[:, [0, -1]] + k * dt_s),
        )

    def humidity(self) -> Array:
        """Humidity at 20 °C of every cell, (slab, cell)."""
        at, part = self._location(self.water)
        low = self._humidity[at]
        return np.where(self.water >= self.full[:, None], 1.0, low + part * (self._humidity[at + 1] - low))

    def total(self) -> Array:
        """Water of each slab per area. [kg/m²]"""
        return np.asarray((self.water * self.dx).sum(axis=1))

    def step(
        self,
        dt_s: float,
        out_top: Array,
        out_bottom: Array,
        warmth: Array,
        source: Array | None = None,
        held_top: Array | None = None,
    ) -> None:
        """Move the water on by one step.

        Parameters
        ----------
        out_top, out_bottom : flux that leaves each slab by its faces. [kg/(m² s)]
        warmth : temperature factor of the diffusivity of each slab, or of each cell.
        source : water that is added to each cell. [kg/(m² s)]
        held_top : hold the top face at this content instead (out_top must be 0); for checks only. [kg/m³]
        """
        at, part = self._location(self.water)
        low = self._diffusivity[at]
        d = (low + part * (self._diffusivity[at + 1] - low)) * warmth
        k = 0.5 * (d[:, 1:] + d[:, :-1]) / self._between
        store = self.dx / dt_s
        diagonal = store.copy()
        diagonal[:, :-1] += k
        diagonal[:, 1:] += k
        right = store * self.water
        right[:, 0] -= out_top
        right[:, -1] -= out_bottom
        if source is not None:
            right += source
        if held_top is not None:
            k_face = d[:, 0] / (0.5 * self.dx[:, 0])
            diagonal[:, 0] += k_face
            right[:, 0] += k_face * held_top
        off = np.zeros((self.n, self.cells))
        off[:, :-1] = -k
        beside = off.ravel()[:-1]
        *_, solved, failed = dgtsv(beside, diagonal.ravel(), beside, right.ravel())
        if failed:
            raise ArithmeticError(f"the slabs' equations could not be solved (LAPACK info {failed})")
        self.water = solved.reshape(self.n, self.cells)

    def at_depth(self, slabs: NDArray[np.intp], depth_m: Array) -> DepthPicker:
        """Picks the content at given depths of given slabs."""
        return DepthPicker(self, slabs, depth_m)


class DepthPicker:
    """Straight lines between cell middles, prepared once."""

    def __init__(self, slabs: Slabs, which: NDArray[np.intp], depth_m: Array) -> None:
        below = [int(np.searchsorted(slabs.depth[s], z)) for s, z in zip(which, depth_m, strict=True)]
        self._slab = which
        self._below = np.clip(np.array(below, dtype=np.intp), 1, slabs.cells - 1)
        above = slabs.depth[which, self._below - 1]
        span = slabs.depth[which, self._below] - above
        self._part = np.clip((depth_m - above) / span, 0.0, 1.0)

    def __call__(self, water: Array) -> Array:
        """Content at the depths. [kg/m³]"""
        low = water[self._slab, self._below - 1]
        return np.asarray(low + self._part * (water[self._slab, self._below] - low))
