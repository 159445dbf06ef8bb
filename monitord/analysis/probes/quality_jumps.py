"""Changes that no wet material makes: a jump to another level, a jump to saturation, a fall that quickens by itself."""

from __future__ import annotations

import numpy as np

from monitord.analysis.probes.quality_checks import Span, runs
from monitord.analysis.series.rolling import line, median
from monitord.model.jobs import AIR_KINDS, LocationKind
from monitord.model.series import HOUR_S, Array, Hourly

_FLAT_H = 6
_JUMP_PCT = {True: 5.0, False: 9.0}
"""Jump between neighbouring hours, with flat hours before and after: sealed sleeve, cavity or void (our choice)."""
_FLAT_PCT = {True: 1.2, False: 2.5}

_SATURATED_PCT = 98.0
_INTO_SATURATION_PCT = 12.0
_SATURATED_H = {True: 24, False: 12}
"""Hours at saturation after a jump into it: outdoors, where a night's fog comes as fast, and elsewhere (our choice)."""
_FOG_H, _FOGGY_H, _FOG_K = 36, 96, 5.0
"""Longest that open air stays saturated while its temperature moves by so much, and the same in weather that is foggy
by itself, as a winter's may be (our choice). [h, K]"""
_HABIT = 0.05
"""Air that stood at saturation in more than this share of the week before does so by itself."""


def _gap(hourly: Hourly, lag: int) -> Array:
    """Change of the hourly median against `lag` hours before, NaN across missing hours, (n,)."""
    rh, out = hourly.relative_humidity_pct, np.full(len(hourly), np.nan)
    near = hourly.hour_s[lag:] - hourly.hour_s[:-lag] <= (lag + 1) * HOUR_S
    out[lag:] = np.where(near, rh[lag:] - rh[:-lag], np.nan)
    return out


def offset(hourly: Hourly, kind: LocationKind, room_rh: Array) -> list[Span]:
    """From a jump to a new level on, where flat hours lie before and after it and the new level is not the room's.

    `room_rh` is the room's humidity in the same hours (n,), NaN where unknown: a sleeve that was opened goes there.
    A probe whose level jumped stays out of every verdict until it is taken away: nobody knows where it stands.
    """
    if kind in AIR_KINDS or kind is LocationKind.SURFACE or len(hourly) < 3 * _FLAT_H:
        return []
    sleeve = kind is LocationKind.SLAB_SLEEVE
    rh, need, flat = hourly.relative_humidity_pct, _JUMP_PCT[sleeve], _FLAT_PCT[sleeve]
    change = _gap(hourly, 2)
    for i in np.flatnonzero(np.abs(change) >= need):
        before, after = rh[max(0, i - 1 - _FLAT_H) : i - 1], rh[i : i + _FLAT_H]
        if len(before) < _FLAT_H or len(after) < _FLAT_H or i < 2:
            continue
        steady = np.ptp(before) <= flat and np.ptp(after) <= flat
        if not steady or not np.ptp(hourly.temperature_c[i - 2 : i + 2]) < 1.5:
            continue
        beside = room_rh[i : i + _FLAT_H]
        beside = beside[np.isfinite(beside)]
        like_room = len(beside) > 0 and abs(median(beside) - median(after)) < 4.0
        if not like_room:
            reason = f"jumped by {float(change[i]):+.1f} % RH within two hours and stays there; nothing wet does that"
            return [Span("offset", float(hourly.hour_s[i - 1]), float(hourly.hour_s[-1] + HOUR_S), reason)]
    return []


def saturated(hourly: Hourly, kind: LocationKind) -> list[Span]:
    """Hours near 100 % RH without any life, entered by a jump: a wetted or broken sensor and not a wet place.

    Not told of surfaces and hollow places, whose air may well be saturated at night.
    """
    found: list[Span] = []
    if kind not in AIR_KINDS and kind is not LocationKind.SLAB_SLEEVE:
        return found
    high = hourly.relative_humidity_min_pct >= _SATURATED_PCT
    if not high.any():
        return found
    for a, b in runs(high) if kind is LocationKind.OUTDOOR_AIR else ():
        before = high[max(0, a - 168) : a]
        foggy = len(before) > 0 and before.mean() > _HABIT
        if (
            b - a >= (_FOGGY_H if foggy else _FOG_H)
            and np.ptp(hourly.temperature_c[a:b]) >= _FOG_K
            and np.ptp(hourly.relative_humidity_pct[a:b]) <= 1.5
        ):
            reason = f"stands at {hourly.relative_humidity_pct[a]:.0f} % RH through {b - a} h of changing temperature"
            found.append(Span("saturated", float(hourly.hour_s[a]), float(hourly.hour_s[b - 1] + HOUR_S), reason))
    jump, min_h = _gap(hourly, 2), _SATURATED_H[kind is LocationKind.OUTDOOR_AIR]
    for a, b in runs(high):
        entered = jump[max(0, a - 1) : a + 2]
        entered = entered[np.isfinite(entered)]
        still = float(np.ptp(hourly.relative_humidity_pct[a:b])) <= 1.5
        habit = high[max(0, a - 168) : a]
        if len(habit) and habit.mean() > _HABIT:
            continue
        if b - a >= min_h and still and len(entered) and float(entered.max()) >= _INTO_SATURATION_PCT:
            reason = f"jumped to {hourly.relative_humidity_pct[a]:.0f} % RH within two hours and stands there"
            found.append(Span("saturated", float(hourly.hour_s[a]), float(hourly.hour_s[b - 1] + HOUR_S), reason))
    return found


_NOW_D, _BEFORE_D = 4, 8
_FASTEST_PCT_PER_DAY = 4.0
_MIN_MORE_PCT_PER_DAY = 0.45
_MORE = 0.45


def falling_away(hourly: Hourly, kind: LocationKind, room_rh: Array) -> list[Span]:
    """From where on a sleeve's humidity falls ever faster though nothing around changed: the probe drifts.

    Concrete dries at a falling rate (Bažant and Najjar 1972; Crank 1975). Told by the slope over four days against
    that over the eight before, with the room's humidity no lower and the temperature no different than then.
    """
    if kind is not LocationKind.SLAB_SLEEVE:
        return []
    days = _daily(hourly, hourly.relative_humidity_pct)
    steep = _steep(days, _NOW_D + _BEFORE_D + 6)
    if not steep:
        return []
    t, room = _daily(hourly, hourly.temperature_c), _daily(hourly, room_rh)
    for k in steep:
        now, before = slice(k - _NOW_D, k), slice(k - _NOW_D - _BEFORE_D, k - _NOW_D)
        fall, fall_se, _ = line(days[now])
        if not fall + 2.0 * fall_se < -_MIN_MORE_PCT_PER_DAY:
            continue
        usual, usual_se, _ = line(days[before])
        if not fall + 2.0 * fall_se < 1.5 * min(usual, 0.0) - _MORE - 2.0 * usual_se:
            continue
        if fall < -_FASTEST_PCT_PER_DAY:
            continue  # opened, not drifting
        calm = abs(_mean(t[now]) - _mean(t[before])) < 1.5
        unchanged = not np.isfinite(_mean(room[before])) or _mean(room[now]) - _mean(room[before]) > -6.0
        if calm and unchanged:
            start = float(hourly.hour_s[0] + (k - _NOW_D) * 86_400.0)
            reason = f"falls by {-fall:.1f} % RH a day where it fell by {-usual:.1f}; concrete slows down by itself"
            return [Span("drift", start, float(hourly.hour_s[-1] + HOUR_S), reason)]
    return []


def _steep(days: Array, first: int) -> list[int]:
    """Ends, from `first` on, of the spans of four days that may fall by enough; where a day is missing, they may."""
    if len(days) < first:
        return []
    slopes = np.lib.stride_tricks.sliding_window_view(days, _NOW_D) @ np.array([-0.3, -0.1, 0.1, 0.3])
    return [k for k in range(first, len(days) + 1) if not slopes[k - _NOW_D] > 1e-6 - _MIN_MORE_PCT_PER_DAY]


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def _daily(hourly: Hourly, value: Array) -> Array:
    """Means of whole days counted from the first hour, (days,), NaN where fewer than eight hours are known."""
    day = ((hourly.hour_s - hourly.hour_s[0]) // 86_400.0).astype(np.int64)
    known = np.isfinite(value)
    n = int(day[-1]) + 1
    count = np.bincount(day[known], minlength=n)
    total = np.bincount(day[known], weights=value[known], minlength=n)
    out = np.where(count >= 8, total / np.maximum(count, 1), np.nan)
    return out[:-1]
