"""From hours at which something was detected to an event that began and may be over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.rolling import median, trailing_mean
from monitord.analysis.wetting.parameters import WETTING
from monitord.model.series import HOUR_S, Array, Flags


@dataclass(frozen=True)
class Event:
    """The newest event of a kind, as of the last hour."""

    active: bool
    began: int
    """Index of the hour at which it was first detected."""
    base: float
    """Level before it."""
    now: float
    peak: float
    began_s: float = float("nan")
    """Start of that hour, where it was asked for. [s]"""


def newest_event(
    hits: Flags, level: Array, *, apart_h: int, back_share: float, hold_h: int, min_fall: float, min_rise: float
) -> Event | None:
    """The newest event of the last days, None if there is none.

    `hits` are the hours of detection (bool), `level` what rises (both (n,)). Hits closer than `apart_h` belong
    together. It counts once it rose by `min_rise`. It is over once the level has been back under base + `back_share`
    of its rise since the last hit, or has fallen for a day from its peak by `min_fall` and more; or `hold_h` after
    its last hit, when the new level is the usual one.
    """
    at = np.flatnonzero(hits)
    if not len(at):
        return None
    n, last = len(level), int(at[-1])
    if n - 1 - last > hold_h:
        return None
    began = last
    for i in at[::-1]:
        if began - i > apart_h:
            break
        began = int(i)
    smooth = trailing_mean(level, WETTING.level_mean_h, WETTING.min_level_share)
    before = smooth[max(0, began - WETTING.before_gap_h) : max(1, began - WETTING.level_mean_h)]
    before = before[np.isfinite(before)]
    base = median(before)
    since = smooth[began:]
    known = np.flatnonzero(np.isfinite(since))
    if not len(known):
        return Event(True, began, base, float("nan"), float("nan"))
    now, peak_at = float(since[known[-1]]), int(known[np.argmax(since[known])])
    peak = float(since[peak_at])
    if not np.isfinite(base):
        return Event(True, began, base, now, peak)
    after = since[max(last - began, peak_at) :]  # once back it is over; what rises later is detected anew
    back = bool((after[np.isfinite(after)] <= base + back_share * (peak - base)).any())
    quiet = n - 1 - last >= WETTING.event_quiet_h
    falling = quiet and n - 1 - (began + peak_at) >= 24 and peak - now >= min_fall
    risen = peak - base >= min_rise
    return Event(risen and not (back or falling), began, base, now, peak)


def hour_of(hour_s: Array, index: int) -> float:
    """Start of an hour by its index. [s]"""
    return float(hour_s[0] + HOUR_S * index)
