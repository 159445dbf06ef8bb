"""Means and stretches of regular series."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


def block_means(values: Array, block: int) -> Array:
    """Means of consecutive blocks of the first axis; what does not fill a block is left out."""
    n = len(values) // block
    return np.asarray(values[: n * block].reshape(n, block, *values.shape[1:]).mean(axis=1))


def mean_between(values: Array, first: NDArray[np.intp], last: NDArray[np.intp]) -> Array:
    """Means of values[first:last] for each pair."""
    total = np.append(0.0, np.cumsum(values))
    return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1))


def trailing_mean(values: Array, width: int) -> Array:
    """Mean of the last `width` values up to and with each; over fewer at the beginning."""
    last = np.arange(1, len(values) + 1)
    return mean_between(values, np.maximum(last - width, 0), last)


def centred_mean(values: Array, half: int, edges: tuple[int, ...] = ()) -> Array:
    """Mean over `half` values to each side, never across an edge (an index at which something changes)."""
    n = len(values)
    at = np.arange(n)
    bounds = np.array([0, *sorted(e for e in edges if 0 < e < n), n])
    segment = np.searchsorted(bounds, at, side="right") - 1
    return mean_between(values, np.maximum(at - half, bounds[segment]), np.minimum(at + half + 1, bounds[segment + 1]))


def runs(flags: Bools, join: int = 0, minimum: int = 1) -> list[tuple[int, int]]:
    """Stretches of true, first and one past the last; gaps shorter than `join` are bridged, then short ones dropped."""
    padded = np.concatenate(([False], flags, [False])).astype(int)
    starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
    joined: list[tuple[int, int]] = []
    for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
        if joined and a - joined[-1][1] < join:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return [(a, b) for a, b in joined if b - a >= minimum]
