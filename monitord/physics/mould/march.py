"""The part of the mould model that must go hour by hour: growth slows as the index nears its highest value."""

from __future__ import annotations

from math import exp

import numpy as np

from monitord.physics.mould.materials import Parameters
from monitord.physics.numeric import Array

_FEW = 16
"""Up to this number of surfaces are marched one by one. Our own measurement."""


def march(start: Array, growth: Array, highest: Array, decline: Array, p: Parameters) -> Array:
    """Mould index of n surfaces after each hour.

    Parameters
    ----------
    start : Index at the start, (n,). [no unit] Range 0..6.
    growth : Growth of pine well below its highest index, (hours, n); 0 where nothing grows. [1/h] Range from 0.
    highest : Highest index under the conditions of each hour, same shape. [no unit] Range from 0.
    decline : Decline in each hour, same shape; 0 in hours of growth. [1/h] Range from 0.
    p : Numbers of the materials.

    Returns
    -------
    Index after each hour, (hours, n). [no unit]

    Raises
    ------
    Nothing of its own: the ranges are held by `mould_run`.

    Source
    ------
    Hukka and Viitanen 1999: dM/dt = k1 k2 / t_m with k2 = 1 - exp(2.3 (M - Mmax)); explicit steps of 1 h.
    """
    # the part of k2 that is known beforehand is taken out of the loop
    ceiling = np.exp(-2.3 * highest)
    slow, fast = growth * p.k1_below, growth * p.k1_from_1
    one_way = _each if growth.shape[1] <= _FEW else _together
    return one_way(start, slow, fast, ceiling, decline)


def _together(start: Array, slow: Array, fast: Array, ceiling: Array, decline: Array) -> Array:
    """Many surfaces: one step of all of them at a time."""
    out = np.empty_like(slow)
    index = start
    for i in range(len(slow)):
        room = 1.0 - np.exp(2.3 * index) * ceiling[i]
        np.maximum(room, 0.0, out=room)
        room *= np.where(index < 1.0, slow[i], fast[i])
        room += index
        room -= decline[i]
        index = np.maximum(room, 0.0, out=out[i])
    return out


def _each(start: Array, slow: Array, fast: Array, ceiling: Array, decline: Array) -> Array:
    """Few surfaces: each by itself with plain numbers, which for few costs less than arrays; the same arithmetic."""
    out = np.zeros_like(slow)
    for n in range(slow.shape[1]):
        index = float(start[n])
        begins = np.flatnonzero(slow[:, n] > 0.0) if index == 0.0 else np.zeros(1, np.intp)
        first = int(begins[0]) if len(begins) else len(slow)  # till then there is nothing to grow or to decline
        columns = (array[first:, n].tolist() for array in (slow, fast, ceiling, decline))
        course: list[float] = []
        for rate_below, rate_from_1, top, fall in zip(*columns, strict=True):
            if rate_below > 0.0:
                room = 1.0 - exp(2.3 * index) * top
                if room > 0.0:
                    index += room * (rate_below if index < 1.0 else rate_from_1)
            else:
                index = index - fall if index > fall else 0.0
            course.append(index)
        out[first:, n] = course
    return out
