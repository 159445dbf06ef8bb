"""Water that comes slowly from below: concrete that was drying turns, and creeps up over weeks.

No day's rise shows it. What shows it is that a settled sleeve stands well above where its own falling course would have
taken it, and no longer falls, while the air has not become wetter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.rolling import day_means, trailing_mean
from monitord.model.series import Array, Flags

_SPAN_D = 7
"""Days of each of the two spans whose slopes tell the course: it slows down as the second is slower than the first."""
_GAPS_D = (4, 8, 12)
"""Days between the course and the day it is held against: the more have passed, the clearer."""
_SINCE = 2 * _SPAN_D + _GAPS_D[-1] - 1
"""Days that are needed before the first that can be judged."""
_PER_K = 0.2
"""What each kelvin of the range of temperature adds to the limits: concrete follows it late (our choice). [% RH/K]"""
_KEPT_D = 21
_MIN_RISE = 0.3
"""Least rise of a day's mean above the lowest: a few times what sealed concrete scatters (our choice). [% RH]"""
_AIR_PCT = 6.0
"""A rise of the air that may explain a turn near the surface (our choice). [% RH]"""


@dataclass(frozen=True)
class SlowRise:
    """Concrete that turned, in % RH."""

    days_ago: int
    """Whole days since it was first seen."""
    course: float
    """Where its course would have taken it by the day it was first seen."""
    level: float
    """Where it stood on that day."""


def find_slow_rise(humidity: Array, temperature_c: Array, air: Array, minimum: float) -> SlowRise | None:
    """A turn within the last three weeks from which the concrete has not yet fallen back; None if there is none.

    `humidity` is that of a settled sleeve, cleaned of temperature, and `air` what the wettest air around would bring it
    to, each (n,) by hour, NaN where unknown or not settled. `least` is the least departure from the course. [% RH]
    """
    days = min(len(humidity) // 24, _SINCE + _KEPT_D)
    if days <= _SINCE:
        return None
    day = day_means(humidity, days)
    known = np.isfinite(day)
    if not known[-2:].any():
        return None
    first = int(np.argmax(known))
    filled = day[np.maximum.accumulate(np.where(known, np.arange(days), first))]
    count = days - _SINCE
    level = filled[_SINCE:]
    course = np.min([_course(filled, gap)[-count:] for gap in _GAPS_D], axis=0)
    lowest = np.fmin.accumulate(np.where(np.arange(days) >= first, filled, np.inf))[_SINCE:]
    rising = _means(filled, 2)[-count:] >= _means(filled, 2)[-count - 3 : -3]
    enough = np.convolve(known, np.ones(_SINCE + 1), "valid") >= 0.7 * (_SINCE + 1)
    wander = _PER_K * _range(day_means(temperature_c, days))
    departs = level - course >= minimum + wander
    hit = departs & rising & (level - lowest >= _MIN_RISE + wander) & enough & known[_SINCE:]
    hit &= ~_wetter(day_means(air, days), filled)
    return _standing(hit, level, course, minimum)


def _range(day: Array) -> Array:
    """Range of the days that a turn is judged on, for each of the last days."""
    windows = np.lib.stride_tricks.sliding_window_view(day, _SINCE + 1)
    return np.asarray(np.fmax.reduce(windows, axis=1) - np.fmin.reduce(windows, axis=1))


def _means(day: Array, width: int) -> Array:
    return np.convolve(day, np.full(width, 1.0 / width), "valid")


def _course(day: Array, gap: int) -> Array:
    """Where each course of two spans has come after a gap: its slope goes on slowing down as it did."""
    x = np.arange(_SPAN_D) - (_SPAN_D - 1) / 2
    slope = np.convolve(day, x[::-1] / float(x @ x), "valid")
    mean = _means(day, _SPAN_D)
    early, late = slope[:-_SPAN_D], slope[_SPAN_D:]
    ahead = gap + (_SPAN_D - 1) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        slowing = np.clip(np.where(early < 0.0, late / early, 1.0), 0.2, 0.999)
    tau = -_SPAN_D / np.log(slowing)
    reached = mean[_SPAN_D:] + np.minimum(late, 0.0) * tau * (1.0 - np.exp(-ahead / tau))
    return np.asarray(reached[: len(reached) - gap])


def _wetter(air: Array, level: Array) -> Flags:
    """Days on which the air explains a turn: it has risen since its driest week before, or is as wet as concrete."""
    out = np.zeros(len(level) - _SINCE, dtype=bool)
    if not np.isfinite(air).any():
        return out
    week = trailing_mean(air, _SPAN_D, 0.4)
    driest = np.fmin.accumulate(week)
    now = trailing_mean(air, 3, 0.3)[_SINCE:]
    with np.errstate(invalid="ignore"):
        out |= now - driest[_SPAN_D : _SPAN_D + len(out)] > _AIR_PCT
        out |= now > level[_SINCE:] - 1.0
    return out


def _standing(hit: Flags, level: Array, course: Array, minimum: float) -> SlowRise | None:
    """The oldest hit of the newest run of hits, unless the level fell back since."""
    at = np.flatnonzero(hit)
    if not len(at):
        return None
    began = int(at[-1])
    for k in at[::-1]:
        if began - k > 3:
            break
        began = int(k)
    if level[began:].max() - level[-1] >= 0.5 * minimum:
        return None
    return SlowRise(len(level) - 1 - began, float(course[began]), float(level[began]))
