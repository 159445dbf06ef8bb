"""Has a probe left its place? A sleeve or cavity probe that suddenly reads the room's air has fallen out."""

from __future__ import annotations

import itertools

import numpy as np

from monitord.analysis.quality_checks import Span, runs
from monitord.model.series import HOUR_S, Array

_NEAR_K = 1.2
_LEAST_H = 4
_BEFORE_H = 12


def _bridged(where: Array, gap: int) -> Array:
    """The same with breaks of up to `gap` hours filled."""
    filled = where.copy()
    found = runs(where)
    for (_, end), (start, _) in itertools.pairwise(found):
        if start - end <= gap:
            filled[end:start] = True
    return filled


def left_place(
    hour_s: Array, temperature_c: Array, vapour_pressure_pa: Array, room_c: Array, room_pa: Array, u_pa: float
) -> list[Span]:
    """Hours during which a probe that should be in an element reads room air instead.

    All arrays (n,) by hour, NaN where unknown; `u_pa` is the standard uncertainty of the vapour-pressure
    difference [Pa]. Told by three things together: it now agrees with the room in both temperature and vapour
    pressure, for at least four hours; before, it clearly did not; and the change came within two hours. A place that
    slowly dries into the room's air does the first two only.
    """
    difference = vapour_pressure_pa - room_pa
    near = (np.abs(difference) < 2.5 * u_pa + 0.02 * room_pa) & (np.abs(temperature_c - room_c) < _NEAR_K)
    found = []
    for a, b in runs(_bridged(near, 2)):
        before = difference[max(0, a - _BEFORE_H) : max(0, a - 1)]
        before = before[np.isfinite(before)]
        if b - a < _LEAST_H or len(before) < 4 or b - max(a, 0) < _LEAST_H:
            continue
        usual, spread = float(np.median(before)), float(np.ptp(before))
        now = float(np.nanmedian(difference[a : a + 3]))
        jumped = abs(usual - now)
        if jumped > max(6.0 * u_pa, 1.5 * spread):
            found.append(
                Span(
                    "left_place",
                    float(hour_s[a]),
                    float(hour_s[b - 1] + HOUR_S),
                    f"within two hours its vapour pressure moved by {jumped:.0f} Pa; it follows the room air since",
                )
            )
    return found
