"""The space between two lines as polygons: where the first lies above, and where it lies below."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from monitord.charts.decimate import Buckets
from monitord.charts.parts import Array

Corners = tuple[Array, Array]
"""Times [s] and values of a polygon's corners."""


def shaded(first: Buckets, second: Buckets) -> Iterator[tuple[bool, Corners]]:
    """Polygons between the means of two traces wherever both are known; True where the first lies above."""
    for run in np.unique(first.run):
        mine = first.run == run
        time_s, upper = first.time_s[mine], first.mean[mine]
        for other in np.unique(second.run):
            theirs = second.run == other
            known = (time_s >= second.time_s[theirs][0]) & (time_s <= second.time_s[theirs][-1])
            if np.count_nonzero(known) > 1:
                lower = np.interp(time_s[known], second.time_s[theirs], second.mean[theirs])
                yield from _between(time_s[known], upper[known], lower)


def _between(time_s: Array, upper: Array, lower: Array) -> Iterator[tuple[bool, Corners]]:
    """Cut where the lines cross, so that each polygon lies on one side."""
    difference = upper - lower
    crossed = np.flatnonzero(difference[:-1] * difference[1:] < 0)
    share = difference[crossed] / (difference[crossed] - difference[crossed + 1])
    cross_s = time_s[crossed] + share * (time_s[crossed + 1] - time_s[crossed])
    cross = upper[crossed] + share * (upper[crossed + 1] - upper[crossed])
    # the crossing stands twice: as the end of one piece and as the beginning of the next
    at, cuts = np.repeat(crossed + 1, 2), crossed + 2 + 2 * np.arange(len(crossed))
    times = np.split(np.insert(time_s, at, np.repeat(cross_s, 2)), cuts)
    uppers = np.split(np.insert(upper, at, np.repeat(cross, 2)), cuts)
    lowers = np.split(np.insert(lower, at, np.repeat(cross, 2)), cuts)
    for t, a, b in zip(times, uppers, lowers, strict=True):
        yield bool(np.mean(a) >= np.mean(b)), (np.r_[t, t[::-1]], np.r_[a, b[::-1]])
