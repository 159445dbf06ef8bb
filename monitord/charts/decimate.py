"""Fewer points that draw the same picture: the lowest and highest of each bucket, and gaps kept as gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.charts.parts import Array, Trace

Index = NDArray[np.intp]

GAP_INTERVALS = 3.0
"""More than this many intervals between two values is a gap. Our choice: one or two lost messages are none."""


@dataclass(frozen=True)
class Buckets:
    """Values by bucket of time, in order of time, each (n,); buckets without values are absent."""

    run: Index
    """Which unbroken stretch a bucket belongs to: no line joins two runs."""
    time_s: Array
    """Middle of the times in it. [s]"""
    low: Array
    high: Array
    mean: Array
    count: Index
    low_s: Array
    """When the lowest was. [s]"""
    high_s: Array
    """When the highest was. [s]"""
    uncertainty: Array
    """Mean half-width of the band; NaN where there is none."""

    def __len__(self) -> int:
        return len(self.run)


def usual_interval(trace: Trace) -> float:
    """Time between two values: the nominal one, or the median of the real ones if that is longer. [s]

    A probe that reports more slowly than it was said to has no gap after each of its values.
    """
    times = trace.time_s[np.isfinite(trace.value)]
    return max(trace.interval_s, float(np.median(np.diff(times)))) if len(times) > 2 else trace.interval_s


def run_numbers(time_s: Array, value: Array, interval_s: float) -> tuple[Index, Index]:
    """Indices of the values that are there, and for each the number of its unbroken stretch.

    A new stretch begins after a gap, and after a missing value (NaN).
    """
    index = np.flatnonzero(np.isfinite(value))
    if not len(index):
        return index, index
    new = (np.diff(time_s[index]) > GAP_INTERVALS * interval_s) | (np.diff(index) > 1)
    return index, np.concatenate(([0], np.cumsum(new))).astype(np.intp)


def buckets(trace: Trace, start_s: float, end_s: float, maximum: int) -> Buckets:
    """Put values in at most `maximum` buckets of equal time from `start_s` to `end_s` (more where gaps cut them).

    The lowest and the highest value of every bucket stay, so that no spike is lost however far one zooms out. The
    next value on either side of the window comes along, so that a line runs in from outside.
    """
    index, run = run_numbers(trace.time_s, trace.value, usual_interval(trace))
    t = trace.time_s[index]
    near = slice(max(0, int(np.searchsorted(t, start_s)) - 1), int(np.searchsorted(t, end_s, side="right")) + 1)
    index, run, t = index[near], run[near], t[near]
    v, lowest, highest = trace.value[index], trace.lowest[index], trace.highest[index]
    uncertainty = np.full(len(v), np.nan) if trace.uncertainty is None else trace.uncertainty[index]
    if not len(t):
        none, counts = np.empty(0), np.empty(0, dtype=np.intp)
        return Buckets(counts, none, none, none, none, counts, none, none, none)
    bucket = np.clip(np.floor((t - start_s) * (maximum / (end_s - start_s))), -1, maximum)
    starts = np.flatnonzero(np.r_[True, (np.diff(bucket) != 0) | (np.diff(run) != 0)])
    count = np.diff(np.r_[starts, len(t)])
    group = np.repeat(np.arange(len(starts)), count)
    first, last = np.lexsort((lowest, group))[starts], np.lexsort((highest, group))[starts + count - 1]
    return Buckets(
        run=run[starts],
        time_s=(t[starts] + t[starts + count - 1]) / 2.0,
        low=lowest[first],
        high=highest[last],
        mean=np.add.reduceat(v, starts) / count,
        count=count,
        low_s=t[first],
        high_s=t[last],
        uncertainty=np.add.reduceat(uncertainty, starts) / count,
    )


def gaps(trace: Trace, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Times that touch a window, each from the last value to the next, in which values were due and did not come.

    The time before the first value and after the last one of all is no gap: nothing was there yet, or is known yet.
    """
    t = trace.time_s[np.isfinite(trace.value)]
    long = np.flatnonzero(np.diff(t) > GAP_INTERVALS * usual_interval(trace))
    return [(float(t[i]), float(t[i + 1])) for i in long if t[i + 1] > start_s and t[i] < end_s]


def line_points(found: Buckets) -> tuple[Array, Array, Index]:
    """The points a line goes through: lowest and highest of each bucket in the order in which they came."""
    single = (found.low_s == found.high_s) & (found.low == found.high)
    low_first = found.low_s <= found.high_s
    time_s = np.column_stack((np.minimum(found.low_s, found.high_s), np.maximum(found.low_s, found.high_s)))
    value = np.column_stack((np.where(low_first, found.low, found.high), np.where(low_first, found.high, found.low)))
    keep = np.column_stack((np.ones(len(found), dtype=bool), ~single)).ravel()
    return time_s.ravel()[keep], value.ravel()[keep], np.repeat(found.run, 2)[keep]
