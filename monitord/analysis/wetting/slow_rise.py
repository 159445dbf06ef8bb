"""Water that comes slowly from below: concrete that was drying turns, and creeps up over weeks.

No day's rise shows it. What shows it is that a settled sleeve stands well above where its own falling course would have
taken it, and no longer falls, while the air has not become wetter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.rolling import day_means, trailing_mean
from monitord.analysis.wetting.parameters import WETTING
from monitord.model.series import Array, Flags


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
    """A turn within the last days (`slow_kept_d`) from which the concrete has not fallen back; None if there is none.

    `humidity` is that of a settled sleeve, cleaned of temperature, and `air` what the wettest air around would bring it
    to, each (n,) by hour, NaN where unknown or not settled. `least` is the least departure from the course. [% RH]
    """
    since = WETTING.slow_since_d
    days = min(len(humidity) // 24, since + WETTING.slow_kept_d)
    if days <= since:
        return None
    day = day_means(humidity, days)
    known = np.isfinite(day)
    if not known[-2:].any():
        return None
    first = int(np.argmax(known))
    filled = day[np.maximum.accumulate(np.where(known, np.arange(days), first))]
    count = days - since
    level = filled[since:]
    course = np.min([_course(filled, gap)[-count:] for gap in WETTING.slow_gaps_d], axis=0)
    lowest = np.fmin.accumulate(np.where(np.arange(days) >= first, filled, np.inf))[since:]
    twos, ago = _means(filled, 2), WETTING.slow_rising_d
    rising = twos[-count:] >= twos[-count - ago : -ago]
    enough = np.convolve(known, np.ones(since + 1), "valid") >= WETTING.slow_known_share * (since + 1)
    wander = WETTING.slow_wander_pct_per_k * _range(day_means(temperature_c, days))
    departs = level - course >= minimum + wander
    hit = departs & rising & (level - lowest >= WETTING.slow_min_rise_pct + wander) & enough & known[since:]
    hit &= ~_wetter(day_means(air, days), filled)
    return _standing(hit, level, course, minimum)


def _range(day: Array) -> Array:
    """Range of the days that a turn is judged on, for each of the last days."""
    windows = np.lib.stride_tricks.sliding_window_view(day, WETTING.slow_since_d + 1)
    return np.asarray(np.fmax.reduce(windows, axis=1) - np.fmin.reduce(windows, axis=1))


def _means(day: Array, width: int) -> Array:
    return np.convolve(day, np.full(width, 1.0 / width), "valid")


def _course(day: Array, gap: int) -> Array:
    """Where each course of two spans has come after a gap: its slope goes on slowing down as it did."""
    span = WETTING.slow_span_d
    x = np.arange(span) - (span - 1) / 2
    slope = np.convolve(day, x[::-1] / float(x @ x), "valid")
    mean = _means(day, span)
    early, late = slope[:-span], slope[span:]
    ahead = gap + (span - 1) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        slowing = np.clip(np.where(early < 0.0, late / early, 1.0), *WETTING.slow_pace)
    tau = -span / np.log(slowing)
    reached = mean[span:] + np.minimum(late, 0.0) * tau * (1.0 - np.exp(-ahead / tau))
    return np.asarray(reached[: len(reached) - gap])


def _wetter(air: Array, level: Array) -> Flags:
    """Days on which the air explains a turn: it has risen since its driest week before, or is as wet as concrete."""
    since, span = WETTING.slow_since_d, WETTING.slow_span_d
    out = np.zeros(len(level) - since, dtype=bool)
    if not np.isfinite(air).any():
        return out
    week = trailing_mean(air, span, WETTING.min_level_share)
    driest = np.fmin.accumulate(week)
    now = trailing_mean(air, WETTING.slow_air_d, WETTING.min_level_share)[since:]
    with np.errstate(invalid="ignore"):
        out |= now - driest[span : span + len(out)] > WETTING.slow_air_rise_pct
        out |= now > level[since:] - WETTING.slow_air_near_pct
    return out


def _standing(hit: Flags, level: Array, course: Array, minimum: float) -> SlowRise | None:
    """The oldest hit of the newest run of hits, unless the level fell back since."""
    at = np.flatnonzero(hit)
    if not len(at):
        return None
    began = int(at[-1])
    for k in at[::-1]:
        if began - k > WETTING.slow_apart_d:
            break
        began = int(k)
    if level[began:].max() - level[-1] >= 0.5 * minimum:
        return None
    return SlowRise(len(level) - 1 - began, float(course[began]), float(level[began]))
