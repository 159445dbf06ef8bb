"""Sealed sleeves in concrete: their air comes to the concrete's humidity over hours to days after sealing."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from monitord.physics.moist_air import saturation_vapour_pressure

Array = NDArray[np.float64]

_OPEN_TAU_S = 1800.0
_OPEN_SLOW_TAU_S = 6 * 3600.0


@dataclass(frozen=True)
class Sleeve:
    """A drilled and sealed hole with a probe in it."""

    id: str
    slab: str
    depth_mm: float
    installed_s: float
    sealed_s: float
    tau_h: float = 13.0
    """Time constant of the approach of its air."""
    slow_share: float = 0.0
    """Share of the approach that goes slower: concrete that drilling has dried or wetted."""
    slow_tau_h: float = 40.0
    start_share: float = 0.0
    """Where its air is when it is first sealed, from the room's humidity (0) to the concrete's (1); above 1 where wet
    drilling has left it too damp."""
    drilled_k: float = 2.0
    """How much warmer the hole is just after drilling."""
    mouth: float = 0.02
    """How far the probe's own temperature leans towards the room's, 0..1."""
    openings: tuple[tuple[float, float], ...] = ()
    """Later times at which it was open, from and to."""

    def open_spans(self) -> list[tuple[float, float]]:
        """All times at which it is open to the room."""
        return [(self.installed_s, self.sealed_s), *self.openings]


def _approach(target: Array, start: float, step_s: float, tau_s: float) -> Array:
    keep = np.exp(-step_s / tau_s)
    out, _ = lfilter([1.0 - keep], [1.0, -keep], target, zi=np.array([keep * start]))
    return np.asarray(out)


def sleeve_air(
    sleeve: Sleeve, time_s: Array, concrete_h: Array, concrete_c: Array, room_c: Array, room_pa: Array
) -> tuple[Array, Array]:
    """Temperature and relative humidity at the probe in a sleeve. [°C], [%]

    Before the hole is made they are those of the room. The exponential approach is that of section 9.2 of Crank's
    well-mixed reservoir; a second, slower share stands for the disturbed concrete around the hole.

    Parameters
    ----------
    concrete_h : humidity in the concrete at the sleeve's depth, 0..1, on the regular grid `time_s`.
    """
    step = float(time_s[1] - time_s[0])
    saturation = np.asarray(saturation_vapour_pressure(concrete_c, "water"))
    outside = np.minimum(room_pa / saturation, 1.0)
    fast, slow = outside.copy(), outside.copy()
    edges = _segments(sleeve, time_s)
    for first, last, is_open in edges:
        part = slice(first, last)
        target = outside[part] if is_open else concrete_h[part]
        before_fast = fast[first - 1] if first else outside[0]
        before_slow = slow[first - 1] if first else outside[0]
        if not is_open and time_s[first] <= sleeve.sealed_s + step:
            begin = outside[first] + sleeve.start_share * (concrete_h[first] - outside[first])
            before_fast = before_slow = min(begin, 1.0)
        tau = _OPEN_TAU_S if is_open else sleeve.tau_h * 3600.0
        slow_tau = _OPEN_SLOW_TAU_S if is_open else sleeve.slow_tau_h * 3600.0
        fast[part] = _approach(target, float(before_fast), step, tau)
        slow[part] = _approach(target, float(before_slow), step, slow_tau)
    humidity = (1.0 - sleeve.slow_share) * fast + sleeve.slow_share * slow
    warm = np.where(
        time_s >= sleeve.installed_s,
        sleeve.drilled_k * np.exp(-np.maximum(time_s - sleeve.installed_s, 0.0) / (3 * 3600.0)),
        0.0,
    )
    concrete_c = concrete_c + warm
    probe_c = concrete_c + sleeve.mouth * (room_c - concrete_c)
    at_probe = humidity * np.asarray(
        saturation_vapour_pressure(concrete_c, "water") / saturation_vapour_pressure(probe_c, "water")
    )
    before = time_s < sleeve.installed_s
    room_rh = room_pa / np.asarray(saturation_vapour_pressure(room_c, "water"))
    rh = 100.0 * np.minimum(np.where(before, room_rh, at_probe), 1.0)
    return np.where(before, room_c, probe_c), rh


def _segments(sleeve: Sleeve, time_s: Array) -> list[tuple[int, int, bool]]:
    """Stretches of the grid from the making of the hole on, with whether it is open."""
    is_open = np.zeros(len(time_s), dtype=bool)
    for a, b in sleeve.open_spans():
        inside = (time_s >= a) & (time_s < b)
        if b > a and not inside.any():  # shorter than a step: one step
            inside[min(int(np.searchsorted(time_s, a)), len(time_s) - 1)] = True
        is_open |= inside
    first = int(np.searchsorted(time_s, sleeve.installed_s))
    if first >= len(time_s):
        return []
    changes = first + 1 + np.flatnonzero(np.diff(is_open[first:].astype(int)))
    bounds = [first, *changes.tolist(), len(time_s)]
    return [(a, b, bool(is_open[a])) for a, b in itertools.pairwise(bounds)]
