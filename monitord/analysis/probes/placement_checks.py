"""Has a probe left its location? A sleeve or cavity probe that suddenly reads the room's air has fallen out."""

from __future__ import annotations

import itertools

import numpy as np

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.probes.quality_checks import Span, runs
from monitord.analysis.series.rolling import median, trailing_mean
from monitord.analysis.series.times import WEEK_H
from monitord.model.facts import FaultFacts, FaultReason
from monitord.model.quantity import Quantity
from monitord.model.series import HOUR_S, Array, Flags


def _joined(before: Array, after: Array) -> bool:
    """Whether temperature, which went its own way, now goes along with the room's."""
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if min(len(before), len(after)) < PROBES.along_h // 2:
        return False
    own_way = max(abs(float(before.mean())), float(before.std())) >= PROBES.own_way_k
    return own_way and abs(float(after.mean())) <= PROBES.own_way_k and float(after.std()) <= PROBES.along_k


def _bridged(where: Flags, gap: int) -> Flags:
    """The same with breaks of up to `gap` hours filled."""
    filled = where.copy()
    found = runs(where)
    for (_, end), (start, _) in itertools.pairwise(found):
        if start - end <= gap:
            filled[end:start] = True
    return filled


def left_location(
    hour_s: Array, temperature_c: Array, vapour_pressure_pa: Array, room_c: Array, room_pa: Array, u_pa: float
) -> list[Span]:
    """Hours during which a probe that should be in an element reads room air instead.

    All arrays (n,) by hour, NaN where unknown; `u_pa` is the standard uncertainty of the vapour-pressure
    difference [Pa]. Told by things together: it now agrees with the room in both temperature and vapour
    pressure, for at least six hours; before, it clearly did not; and the change came within two hours. Where the
    change of vapour pressure alone is not clear, the temperature must have gone its own way before and goes along now.
    A location that slowly dries into the room's air does the first two only.
    """
    difference, warmer = vapour_pressure_pa - room_pa, temperature_c - room_c
    near = np.abs(difference) < PROBES.near_u * u_pa + PROBES.near_share * room_pa
    near &= np.abs(warmer) < PROBES.near_k
    found: list[Span] = []
    if not near.any():
        return found
    for a, b in runs(_bridged(near, PROBES.near_gap_h)):
        if b - a < PROBES.near_min_h:
            continue
        before = difference[max(0, a - PROBES.apart_h) : max(0, a - 1)]
        before = before[np.isfinite(before)]
        habit = near[max(0, a - WEEK_H) : a]
        usual = float(habit.mean()) if len(habit) else 0.0
        if len(before) < PROBES.apart_min_h or usual > PROBES.near_habit_factor * PROBES.near_habit_share:
            continue
        now = difference[a : a + PROBES.apart_now_h]
        jumped = abs(median(before) - median(now[np.isfinite(now)]))
        if jumped <= PROBES.jumped_u * u_pa:
            continue
        clear = max(PROBES.clear_jump_u * u_pa, PROBES.clear_jump_ranges * float(np.ptp(before)))
        by_vapour = usual <= PROBES.near_habit_share and jumped > clear
        along = b - a >= PROBES.along_h and float(np.nanstd(difference[a:b])) <= PROBES.along_u * u_pa
        by_both = along and _joined(warmer[max(0, a - 24) : a], warmer[a:b])
        if by_vapour or by_both:
            found.append(
                Span(
                    "left_location",
                    float(hour_s[a]),
                    float(hour_s[b - 1] + HOUR_S),
                    FaultFacts(reason=FaultReason.FOLLOWS_ROOM, value=Quantity(value=jumped, unit="Pa")),
                )
            )
    return found


def drier_than_all(
    hour_s: Array, vapour_pressure_pa: Array, room_pa: Array, outdoor_pa: Array, u_pa: float
) -> list[Span]:
    """From where on a cavity or void reads drier than any air around it has been for a week: its probe has drifted.

    All arrays (n,) by hour, NaN where unknown; `u_pa` as in `left_location`. Water has sources in an element; what
    could take it away for good is a surface colder than the outdoor air, and there is none. Dry material takes up the
    vapour of air that turns humid, so the driest day of the week before counts, and days must follow each other.
    """
    days = PROBES.drier_days
    driest_air = np.fmin(room_pa, outdoor_pa)
    if len(hour_s) < WEEK_H or not np.isfinite(outdoor_pa).any():
        return []
    air = trailing_mean(np.where(np.isfinite(room_pa) & np.isfinite(outdoor_pa), driest_air, np.nan), 24)
    mean = trailing_mean(vapour_pressure_pa, 24)
    with np.errstate(invalid="ignore"):
        if not any(
            b - a >= 24 * days for a, b in runs(_bridged(mean < air - PROBES.drier_u * u_pa, PROBES.drier_gap_h))
        ):
            return []
    padded = np.r_[np.full(WEEK_H - 1, np.nan), air]
    lowest = np.fmin.reduce(np.lib.stride_tricks.sliding_window_view(padded, WEEK_H), axis=1)
    with np.errstate(invalid="ignore"):
        under = mean < lowest - PROBES.drier_u * u_pa
    for a, b in runs(_bridged(under, PROBES.drier_gap_h)):
        if b - a >= 24 * days:
            start = a + 24 * days - 1
            why = FaultFacts(reason=FaultReason.DRIER_THAN_ALL, count=days)
            return [Span("drift", float(hour_s[start]), float(hour_s[-1] + HOUR_S), why)]
    return []
