"""Changes that no wet material makes: a jump to another level, a jump to saturation, a fall that quickens."""

from __future__ import annotations

import numpy as np

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.probes.quality_checks import Span, humidity, runs
from monitord.analysis.series.rolling import line, median
from monitord.analysis.series.times import DAY_S, WEEK_H
from monitord.model.facts import FaultFacts, FaultReason
from monitord.model.jobs import AIR_KINDS, LocationKind
from monitord.model.series import HOUR_S, Array, Hourly


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
    if kind in AIR_KINDS or kind is LocationKind.SURFACE or len(hourly) < PROBES.jump_min_h:
        return []
    sleeve = kind is LocationKind.SLAB_SLEEVE
    rh, flat_h = hourly.relative_humidity_pct, PROBES.flat_h
    need = PROBES.jump_sleeve_pct if sleeve else PROBES.jump_pct
    flat = PROBES.flat_sleeve_pct if sleeve else PROBES.flat_pct
    change = _gap(hourly, 2)
    for i in np.flatnonzero(np.abs(change) >= need):
        before, after = rh[max(0, i - 1 - flat_h) : i - 1], rh[i : i + flat_h]
        if len(before) < flat_h or len(after) < flat_h or i < 2:
            continue
        steady = np.ptp(before) <= flat and np.ptp(after) <= flat
        if not steady or not np.ptp(hourly.temperature_c[i - 2 : i + 2]) < PROBES.jump_max_k:
            continue
        room_now = room_rh[i : i + flat_h]
        room_now = room_now[np.isfinite(room_now)]
        at_room_level = len(room_now) > 0 and abs(median(room_now) - median(after)) < PROBES.like_room_pct
        if not at_room_level:
            why = FaultFacts(reason=FaultReason.JUMPED, value=humidity(change[i]))
            return [Span("offset", float(hourly.hour_s[i - 1]), float(hourly.hour_s[-1] + HOUR_S), why)]
    return []


def saturated(hourly: Hourly, kind: LocationKind) -> list[Span]:
    """Hours near 100 % RH without any life, entered by a jump: a wetted or broken sensor and not a wet location.

    Not told of surfaces and cavities and voids, whose air may well be saturated at night.
    """
    found: list[Span] = []
    if kind not in AIR_KINDS and kind is not LocationKind.SLAB_SLEEVE:
        return found
    high = hourly.relative_humidity_min_pct >= PROBES.saturated_pct
    if not high.any():
        return found
    for a, b in runs(high) if kind is LocationKind.OUTDOOR_AIR else ():
        before = high[max(0, a - WEEK_H) : a]
        foggy = len(before) > 0 and before.mean() > PROBES.saturated_habit_share
        if (
            b - a >= (PROBES.foggy_h if foggy else PROBES.fog_h)
            and np.ptp(hourly.temperature_c[a:b]) >= PROBES.fog_k
            and np.ptp(hourly.relative_humidity_pct[a:b]) <= PROBES.lifeless_pct
        ):
            level = humidity(hourly.relative_humidity_pct[a])
            why = FaultFacts(reason=FaultReason.STANDS_HIGH, value=level, count=b - a)
            found.append(Span("saturated", float(hourly.hour_s[a]), float(hourly.hour_s[b - 1] + HOUR_S), why))
    jump = _gap(hourly, 2)
    min_h = PROBES.saturated_outdoors_h if kind is LocationKind.OUTDOOR_AIR else PROBES.saturated_h
    for a, b in runs(high):
        entered = jump[max(0, a - 1) : a + 2]
        entered = entered[np.isfinite(entered)]
        still = float(np.ptp(hourly.relative_humidity_pct[a:b])) <= PROBES.lifeless_pct
        habit = high[max(0, a - WEEK_H) : a]
        if len(habit) and habit.mean() > PROBES.saturated_habit_share:
            continue
        if b - a >= min_h and still and len(entered) and float(entered.max()) >= PROBES.into_saturation_pct:
            why = FaultFacts(reason=FaultReason.JUMPED_HIGH, value=humidity(hourly.relative_humidity_pct[a]))
            found.append(Span("saturated", float(hourly.hour_s[a]), float(hourly.hour_s[b - 1] + HOUR_S), why))
    return found


def falling_away(hourly: Hourly, kind: LocationKind, room_rh: Array) -> list[Span]:
    """From where on a sleeve's humidity falls ever faster though nothing around changed: the probe drifts.

    Concrete dries at a falling rate (Bažant and Najjar 1972; Crank 1975). Told by the slope over four days against
    that over the eight before, with the room's humidity no lower and the temperature no different than then.
    """
    if kind is not LocationKind.SLAB_SLEEVE:
        return []
    days = _daily(hourly, hourly.relative_humidity_pct)
    late, early = PROBES.fall_days, PROBES.fall_before_days
    steep = _steep(days, late + early + PROBES.fall_settling_days)
    if not steep:
        return []
    t, room = _daily(hourly, hourly.temperature_c), _daily(hourly, room_rh)
    for k in steep:
        now, before = slice(k - late, k), slice(k - late - early, k - late)
        fall, fall_se, _ = line(days[now])
        if not fall + PROBES.fall_se * fall_se < -PROBES.min_fall_pct_per_day:
            continue
        usual, usual_se, _ = line(days[before])
        faster = PROBES.more_fall_factor * min(usual, 0.0) - PROBES.more_fall_pct_per_day - PROBES.fall_se * usual_se
        if not fall + PROBES.fall_se * fall_se < faster:
            continue
        if fall < -PROBES.max_fall_pct_per_day:
            continue  # opened, not drifting
        calm = abs(_mean(t[now]) - _mean(t[before])) < PROBES.calm_k
        unchanged = (
            not np.isfinite(_mean(room[before])) or _mean(room[now]) - _mean(room[before]) > -PROBES.drier_room_pct
        )
        if calm and unchanged:
            start = float(hourly.hour_s[0] + (k - late) * DAY_S)
            why = FaultFacts(reason=FaultReason.FALLS_FASTER, value=humidity(-fall), before=humidity(-usual))
            return [Span("drift", start, float(hourly.hour_s[-1] + HOUR_S), why)]
    return []


def _steep(days: Array, first: int) -> list[int]:
    """Ends, from `first` on, of the spans of days that may fall by enough; where a day is missing, they may."""
    if len(days) < first:
        return []
    n = PROBES.fall_days
    from_middle = np.arange(n) - (n - 1) / 2.0
    slopes = np.lib.stride_tricks.sliding_window_view(days, n) @ (from_middle / (from_middle @ from_middle))
    return [k for k in range(first, len(days) + 1) if not slopes[k - n] > 1e-9 - PROBES.min_fall_pct_per_day]


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


def _daily(hourly: Hourly, value: Array) -> Array:
    """Means of whole days counted from the first hour, (days,), NaN where fewer than `day_min_h` hours are known."""
    day = ((hourly.hour_s - hourly.hour_s[0]) // DAY_S).astype(np.int64)
    known = np.isfinite(value)
    n = int(day[-1]) + 1
    count = np.bincount(day[known], minlength=n)
    total = np.bincount(day[known], weights=value[known], minlength=n)
    out = np.where(count >= PROBES.day_min_h, total / np.maximum(count, 1), np.nan)
    return out[:-1]
