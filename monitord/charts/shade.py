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
    if not len(first) or not len(second):
        return
    time_s, last = first.time_s, len(second) - 1
    after = np.searchsorted(second.time_s, time_s)
    right, left = (
        np.minimum(after, last),
        np.maximum(np.where(second.time_s[np.minimum(after, last)] == time_s, after, after - 1), 0),
    )
    known = (second.run[left] == second.run[right]) & (time_s >= second.time_s[0]) & (time_s <= second.time_s[-1])
    lower = np.interp(time_s, second.time_s, second.mean)
    changes = (np.diff(first.run) != 0) | (np.diff(second.run[left]) != 0) | np.diff(known)
    for piece in np.split(np.arange(len(time_s)), np.flatnonzero(changes) + 1):
        if known[piece[0]] and len(piece) > 1:
            yield from _between(time_s[piece], first.mean[piece], lower[piece])


def _between(time_s: Array, upper: Array, lower: Array) -> Iterator[tuple[bool, Corners]]:
    """Cut where the lines cross, so that each polygon lies on one side."""
    difference = upper - lower
    crossed = np.flatnonzero(np.diff(difference >= 0))
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
