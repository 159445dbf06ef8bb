"""How a slab dries at one depth when concrete's diffusivity falls with its humidity.

Bažant and Najjar 1972 in dimensionless form: position from the exposed face (0) to the sealed one or the middle (1),
time s = D1·t/L². Diffusivity relative to D1 is α + (1−α)/(1 + ((1−h)/(1−hc))^n) with α 0.05, hc 0.80, n 15
(CEB-FIP Model Code 1990). Slow drying below 80 % RH is physics, not a stall, and this is where the analysis knows it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import solve_banded

from monitord.model.series import Array
from monitord.physics.concrete import relative_diffusivity

_CELLS = 40
_STEPS = 320
_S_FIRST, _S_LAST = 1e-4, 60.0


@dataclass(frozen=True)
class SlabCurve:
    """Humidity at one depth against dimensionless time, and its rate, each (n,); humidity falls with time."""

    s: Array
    humidity: Array

    def time_at(self, humidity: Array | float) -> Array:
        """Dimensionless time at which a humidity is reached; infinite where it never is."""
        h = np.asarray(humidity, dtype=float)
        reached = np.interp(h, self.humidity[::-1], self.s[::-1])
        reached = np.where(h < self.humidity[-1], np.inf, reached)
        return np.where(h >= self.humidity[0], 0.0, reached)


def slab_curve(depth_share: float, initial: float, surface: float) -> SlabCurve:
    """Drying at a depth (share of the drying thickness, 0..1) from a uniform humidity to that of the surface.

    Humidities as ratios, 0..1; they are rounded to steps of 0.02, the depth to 0.05, so that curves are re-used.
    """
    return _curve(
        round(min(max(depth_share, 0.05), 1.0) * 20) / 20,
        round(min(max(initial, 0.5), 1.0) * 50) / 50,
        round(min(max(surface, 0.1), 0.96) * 50) / 50,
    )


@lru_cache(maxsize=256)
def _curve(depth_share: float, initial: float, surface: float) -> SlabCurve:
    humidity, s = _profiles(initial, min(surface, initial - 0.02))
    centres = (np.arange(_CELLS) + 0.5) / _CELLS
    at_depth = np.array([np.interp(depth_share, centres, row) for row in humidity])
    return SlabCurve(s, np.minimum.accumulate(at_depth))


@lru_cache(maxsize=64)
def _profiles(initial: float, surface: float) -> tuple[Array, Array]:
    """Humidity profiles (steps, cells) by implicit finite volumes, diffusivity taken at the step's start."""
    dx = 1.0 / _CELLS
    s = np.r_[0.0, np.geomspace(_S_FIRST, _S_LAST, _STEPS)]
    h = np.full(_CELLS, initial)
    rows = [h]
    for step in np.diff(s):
        d = relative_diffusivity(h)
        face = 0.5 * (d[1:] + d[:-1])
        first = float(relative_diffusivity(0.5 * (h[0] + surface)))
        a = step / dx**2
        banded = np.zeros((3, _CELLS))
        banded[1] = 1.0
        banded[1, :-1] += a * face
        banded[1, 1:] += a * face
        banded[0, 1:] = -a * face
        banded[2, :-1] = -a * face
        right = h.copy()
        banded[1, 0] += 2.0 * a * first
        right[0] += 2.0 * a * first * surface
        h = solve_banded((1, 1), banded, right)
        rows.append(h)
    return np.array(rows), s
