"""How slabs dry: every member of an ensemble as one column of concrete, stepped together.

Pore humidity h (at 20 °C) over depth z, from the drying face down. With the moisture capacity xi(h) = 1 + c h^10

    xi(h) dh/dt = d/dz ( D(h, T) dh/dz ),   D = D1 exp(Q (1/293.15 - 1/T)) (a + (1 - a) / (1 + ((1 - h)/(1 - hc))^n))
    face:     flux out = (b psat(T0) / k0) (h0 - h_air)
    far side: flux in = (g / k0) (1 - h_far) where it is fed, else 0

Backward Euler on finite volumes in the mixed form of Celia, Bouloutas and Zarba 1990, which keeps the water to the
Picard residual. The matrix is symmetric and positive definite, so all members are one banded solve.
Sources of D(h): Bažant and Najjar 1972; CEB-FIP Model Code 1990.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dptsv

from monitord.analysis.slabs.posterior.members import Members
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.model.series import Array
from monitord.physics.constants import ZERO_CELSIUS_K
from monitord.physics.moist_air import saturation_vapour_pressure


@dataclass(frozen=True)
class Grid:
    """Cells from the drying face down."""

    thickness_m: float
    """From the drying face to the far side, or to the middle where both faces dry. [m]"""
    size_m: Array
    """Thickness of each cell, (cells,). [m]"""
    depth_m: Array
    """Middle of each cell, (cells,). [m]"""
    upper: int
    """The cell whose middle lies at or over the sleeve."""
    sleeve_m: float
    """Depth of the sleeve. [m]"""
    part: float
    """How far the sleeve lies from there to the next middle, 0..1."""

    def at_sleeve(self, humidity: Array) -> Array:
        """Pore humidity at the sleeve, from that of the cells (n, cells) to (n,)."""
        above = humidity[:, self.upper]
        return np.asarray(above + self.part * (humidity[:, self.upper + 1] - above))


def grid_of(
    thickness_m: float, sleeve_m: float, cells: int = POSTERIOR.cells, growth: float = POSTERIOR.cell_growth
) -> Grid:
    """The cells of a slab, finest at its face.

    Raises
    ------
    ValueError : the thickness is not positive, or the sleeve's depth is not within it.
    """
    if not 0.0 < sleeve_m <= thickness_m:
        raise ValueError(f"a sleeve at {sleeve_m} m does not lie in a slab of {thickness_m} m; give its own depth")
    share = growth ** np.arange(cells)
    size = thickness_m * share / share.sum()
    depth = np.cumsum(size) - 0.5 * size
    upper = int(np.clip(np.searchsorted(depth, sleeve_m) - 1, 0, cells - 2))
    part = float(np.clip((sleeve_m - depth[upper]) / (depth[upper + 1] - depth[upper]), 0.0, 1.0))
    return Grid(thickness_m, size, depth, upper, sleeve_m, part)


class Air(NamedTuple):
    """What a step is driven by: numbers for all members, or one for each, (n,)."""

    vapour_pressure_pa: Array | float
    """Of the air over the slab; NaN where nobody measures it."""
    room_c: Array | float
    sleeve_c: Array | float
    u_humidity: float
    """Standard uncertainty of the air's humidity by its probe's offset. [0..1]"""


def first_profile(members: Members, grid: Grid) -> Array:
    """Pore humidity at the start, (n, cells): the core's, less a deficit that dies away from the face inwards."""
    inwards = (1.0 - grid.depth_m / grid.thickness_m)[None, :]
    deficit = members.face_deficit[:, None] * inwards ** members.profile_power[:, None]
    return np.asarray(members.core_humidity[:, None] - deficit)


def relative_diffusivity(members: Members, humidity: Array) -> Array:
    """D(h)/D(1) of each member in each cell, (n, cells)."""
    lack = np.maximum(1.0 - humidity, 1e-9) / (1.0 - members.bend)[:, None]
    least = members.min_share[:, None]
    return np.asarray(least + (1.0 - least) / (1.0 + lack ** members.steepness[:, None]))


def capacity(members: Members, humidity: Array) -> tuple[Array, Array]:
    """Moisture capacity xi(h) = 1 + c h^10 and water content h + c h^11/11, over that of a dry cell, (n, cells).

    Source
    ------
    Our own shape, for isotherms that steepen towards saturation (Xi, Bažant and Jennings 1994); its integral exactly.
    """
    c = members.capacity[:, None]
    square = humidity * humidity
    fourth = square * square
    tenth = fourth * fourth * square
    return 1.0 + c * tenth, humidity * (1.0 + c * tenth / 11.0)


def face_conditions(members: Members, air: Air) -> tuple[Array, Array]:
    """What the face meets: conductance [m/s] and pore humidity that the air is in equilibrium with, each (n,).

    Source
    ------
    Vapour transfer by a difference of vapour pressure; equilibrium at the face's temperature, brought to 20 °C by the
    slope of sealed concrete (Bažant and Najjar 1972).
    """
    face_c = air.sleeve_c + members.face_lean * (air.room_c - air.sleeve_c)
    saturation = np.asarray(saturation_vapour_pressure(np.asarray(face_c, dtype=float)))
    measured = air.vapour_pressure_pa / saturation + air.u_humidity * members.room_bias_share
    humidity = np.where(np.isfinite(measured), measured, members.unmeasured_air)
    humidity = np.clip(
        humidity - POSTERIOR.air_slope_per_k * (face_c - POSTERIOR.reference_c), POSTERIOR.min_humidity, 1.0
    )
    return members.transfer_kg_m2_s_pa * saturation / POSTERIOR.capacity_kg_m3, humidity


def step(members: Members, grid: Grid, humidity: Array, air: Air, seconds: float) -> Array:
    """Pore humidity (n, cells) a step later.

    Source
    ------
    Celia, Bouloutas and Zarba 1990 (Water Resources Research 26:1483), mixed form; D(T) by Arrhenius about 20 °C.
    """
    n, cells = humidity.shape
    sleeve_k, reference_k = np.asarray(air.sleeve_c) + ZERO_CELSIUS_K, POSTERIOR.reference_c + ZERO_CELSIUS_K
    warmth = np.exp(members.activation_k * (1.0 / reference_k - 1.0 / sleeve_k))
    saturated = (members.diffusivity_m2_s * warmth)[:, None]
    outside, air_humidity = face_conditions(members, air)
    supply = np.where(members.fed, members.supply_kg_m2_s / POSTERIOR.capacity_kg_m3, 0.0)
    size, half = grid.size_m, 0.5 * grid.size_m
    _, water = capacity(members, humidity)
    new = humidity
    for _ in range(POSTERIOR.picard_passes):
        diffusivity = saturated * relative_diffusivity(members, new)
        between = 1.0 / (half[:-1] / diffusivity[:, :-1] + half[1:] / diffusivity[:, 1:])
        top = 1.0 / (1.0 / outside + half[0] / diffusivity[:, 0])
        far = supply / (1.0 + supply * half[-1] / diffusivity[:, -1])
        slope, content = capacity(members, new)
        store = slope * (size / seconds)
        right = store * new - (content - water) * (size / seconds)
        right[:, 0] += top * air_humidity
        right[:, -1] += far
        diagonal = store
        diagonal[:, :-1] += between
        diagonal[:, 1:] += between
        diagonal[:, 0] += top
        diagonal[:, -1] += far
        beside = np.zeros((n, cells))
        beside[:, :-1] = -between
        _, _, solved, failed = dptsv(diagonal.ravel(), beside.ravel()[:-1], right.ravel())
        if failed:
            raise ArithmeticError(f"the slabs' equations could not be solved (LAPACK info {failed})")
        new = np.clip(solved.reshape(n, cells), POSTERIOR.min_humidity, 1.0)
    return np.asarray(new)


def march(
    members: Members, grid: Grid, humidity: Array, days: list[tuple[Air, Air]], first: int = 0
) -> tuple[Array, Array]:
    """March through days of two half-day steps, of which the first is the day `first` of the record.

    Returns
    -------
    Pore humidity at the end, (n, cells), and each day's mean at the sleeve, (days, n).
    """
    means = np.empty((len(days), len(humidity)))
    now = grid.at_sleeve(humidity)
    for k, (morning, evening) in enumerate(days):
        today = members.on(first + k)
        humidity = step(today, grid, humidity, morning, POSTERIOR.half_day_s)
        middle = grid.at_sleeve(humidity)
        humidity = step(today, grid, humidity, evening, POSTERIOR.half_day_s)
        end = grid.at_sleeve(humidity)
        means[k] = 0.5 * (0.5 * (now + end) + middle)
        now = end
    return humidity, means
