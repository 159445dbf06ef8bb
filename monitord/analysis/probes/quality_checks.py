"""Checks of one probe against itself: range, stuck, noise, spikes and clock.

After the World Meteorological Organization's checks for automatic stations (Zahumenský 2004; WMO-No. 8, vol. V),
with limits by kind of location: a healthy probe in a sealed sleeve hardly moves for days, so persistence is judged
against what this very probe did before, not against a fixed window.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.rolling import median, percentile
from monitord.model.facts import FaultFacts, FaultReason
from monitord.model.jobs import AIR_KINDS, LocationKind
from monitord.model.quantity import Quantity
from monitord.model.series import HOUR_S, Array, Flags, Hourly, Series


@dataclass(frozen=True)
class Span:
    """Hours of one fault, and why."""

    kind: str
    start_s: float
    end_s: float
    why: FaultFacts


def humidity(value: float) -> Quantity:
    """A relative humidity of one probe, or a change of it, without its uncertainty. [% RH]"""
    return Quantity(value=float(value), unit="% RH")


def out_of_range(temperature_c: Array, relative_humidity_pct: Array) -> Flags:
    """Where a value can't be one of a working probe; (n,) of bool."""
    bad = (temperature_c < PROBES.min_temperature_c) | (temperature_c > PROBES.max_temperature_c)
    return bad | (relative_humidity_pct < PROBES.min_rh_pct) | (relative_humidity_pct > SERIES.max_rh_pct)


def runs(where: Flags) -> list[tuple[int, int]]:
    """First and past-the-last index of each run of True."""
    padded = np.zeros(len(where) + 2, dtype=np.bool_)
    padded[1:-1] = where
    edges = (padded[1:] != padded[:-1]).nonzero()[0].tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def spans_of(kind: str, hour_s: Array, where: Flags, why: FaultFacts, min_h: int = 1) -> list[Span]:
    """The runs of hours where a condition holds, at least `min_h` long."""
    return [Span(kind, float(hour_s[a]), float(hour_s[b - 1] + HOUR_S), why) for a, b in runs(where) if b - a >= min_h]


# -- stuck -----------------------------------------------------------------------------------------------------


def _still(middle: Array, lowest: Array, highest: Array) -> Flags:
    """Hours that repeat the value of the hour before exactly, from the hours' medians and extremes; (n,) of bool."""
    still: Flags = lowest == highest
    still[0] = False
    still[1:] &= middle[1:] == middle[:-1]
    return still


def _still_share(still: Flags, before: int) -> float:
    """How often an hour stood still before, with one of each added (Laplace's rule of succession)."""
    past = still[max(0, before - PROBES.still_share_h) : before]
    return (float(past.sum()) + 1.0) / (len(past) + 2.0)


def _min_step(value: Array) -> float:
    """The smallest change from hour to hour: the probe's steps, or half of them; infinite without any."""
    change = np.abs(np.diff(value))
    return float(change[change > 1e-9].min(initial=np.inf))


def _surely_moves(lowest: Array, highest: Array, step: float, before: int, hours: int) -> bool:
    """Whether the location moved by more than the probe's step in nearly every earlier span of that length."""
    past = slice(max(0, before - PROBES.still_share_h), before)
    low, high = lowest[past], highest[past]
    if len(low) < hours + PROBES.moves_min_spans:
        return False
    windows = np.lib.stride_tricks.sliding_window_view
    moved = windows(high, hours).max(axis=1) - windows(low, hours).min(axis=1)
    return bool(np.quantile(moved, PROBES.moves_share) >= PROBES.moves_steps * step)


def _may_stand_still(hourly: Hourly, before: int, hours: int, both: bool, sleeve: bool) -> bool:
    """Whether a healthy probe may repeat itself for that time, its steps being coarser than what the location moves.

    `both` : temperature repeats itself as well, so either of the two must surely move.
    `sleeve` : a slab's temperature stands for hours too.
    """
    coarse_k = PROBES.coarse_step_sleeve_k if sleeve else PROBES.coarse_step_k
    steps = _min_step(hourly.relative_humidity_min_pct), _min_step(hourly.temperature_min_c)  # a median may lie between
    columns = (
        (hourly.relative_humidity_min_pct, hourly.relative_humidity_max_pct, steps[0], PROBES.coarse_step_pct),
        (hourly.temperature_min_c, hourly.temperature_max_c, steps[1], coarse_k),
    )
    return not any(
        step < coarse or _surely_moves(low, high, step, before, hours)
        for low, high, step, coarse in columns[: 2 if both else 1]
    )


def stuck(hourly: Hourly, kind: LocationKind) -> list[Span]:
    """Hours during which a probe repeated one value exactly.

    No verdict while the probe's steps, learned from the series, are coarser than what the location moves in that time.
    Both values frozen: judged by the chance of such a run, from the share of hours that stood still before; in a sleeve
    also told where it lasts days, and twice as long as any before.
    Humidity frozen while temperature moved by more than 1.5 K: in open air or a void humidity must follow, in a sealed
    sleeve too (0.2 to 0.5 %/K, Bažant and Najjar 1972), unless the probe's steps are coarse. Humidity frozen at an even
    temperature: only where the chance of it is far smaller still.
    """
    if len(hourly) < 3:
        return []
    same_rh = _still(hourly.relative_humidity_pct, hourly.relative_humidity_min_pct, hourly.relative_humidity_max_pct)
    same = same_rh & _still(hourly.temperature_c, hourly.temperature_min_c, hourly.temperature_max_c)
    free = hourly.relative_humidity_pct < PROBES.near_saturation_pct  # fog and wet walls hold still by themselves
    sleeve = kind is LocationKind.SLAB_SLEEVE
    min_h = PROBES.stuck_min_air_h if kind in AIR_KINDS else PROBES.stuck_min_h
    found = []
    longest = 0
    for a, b in runs(same & free):
        outlasts = sleeve and b - a >= max(PROBES.outlasts_h, PROBES.outlasts_times * longest)
        longest = max(longest, b - a)
        hours = (hourly.hour_s[b - 1] - hourly.hour_s[a]) / HOUR_S + 1.0
        unlikely = (b - a) * np.log(_still_share(same, a)) < PROBES.stuck_log_odds
        may_stand = not outlasts and _may_stand_still(hourly, a, b - a, both=True, sleeve=sleeve)
        if hours >= min_h and unlikely and not may_stand:
            found.append((a, b))
    need = PROBES.moved_sleeve_k if sleeve else PROBES.moved_k
    fine = _min_step(hourly.relative_humidity_pct) <= (PROBES.fine_step_sleeve_pct if sleeve else PROBES.fine_step_pct)
    for a, b in runs(same_rh & free):
        if b - a < min_h:
            continue
        moved = float(np.ptp(hourly.temperature_c[a:b]))
        chance = (b - a) * np.log(_still_share(same_rh, a))
        unlikely = chance < (PROBES.stuck_log_odds if moved > need else PROBES.frozen_log_odds)
        if unlikely and (moved > need or fine) and not _may_stand_still(hourly, a, b - a, both=False, sleeve=sleeve):
            found.append((a, b))
    return [
        Span(
            "stuck",
            float(hourly.hour_s[max(a - 1, 0)]),
            float(hourly.hour_s[b - 1] + HOUR_S),
            FaultFacts(reason=FaultReason.REPEATS, value=humidity(hourly.relative_humidity_pct[a])),
        )
        for a, b in found
    ]


# -- noise and spikes --------------------------------------------------------------------------------------------


def white_noise(value: Array) -> float:
    """Standard deviation of the white noise on a slowly moving series.

    For a random walk plus white noise of variance s², first differences have lag-one autocovariance -s².
    Real moisture moves smoothly between readings, so what alternates is the probe. Needs at least 8 values.
    """
    d = np.diff(value)
    d = np.clip(d, percentile(d, PROBES.noise_tail_pct), percentile(d, 100.0 - PROBES.noise_tail_pct))
    return float(np.sqrt(max(0.0, -float(np.mean(d[1:] * d[:-1])))))


def spikes(value: Array, limit: float) -> Flags:
    """Lone readings that leave both neighbours by more than `limit` and six times the usual step; (n,) of bool."""
    out = np.zeros(len(value), dtype=bool)
    step = value[1:] - value[:-1]
    size = np.abs(step)
    minimum = np.minimum(size[:-1], size[1:])
    if not (minimum > limit).any():
        return out
    out[1:-1] = (step[:-1] * step[1:] < 0.0) & (minimum > max(limit, PROBES.spike_steps * median(size)))
    return out


def has_become_noisy(hourly: Hourly) -> bool:
    """Whether humidity now ranges much wider within the hour than it did, and temperature does not."""
    if len(hourly) < PROBES.noise_min_h:
        return False
    rh = hourly.relative_humidity_max_pct - hourly.relative_humidity_min_pct
    t = hourly.temperature_max_c - hourly.temperature_min_c
    before, now = slice(-PROBES.noise_before_h, -PROBES.noise_gap_h), slice(-PROBES.noise_now_h, None)
    if median(rh[now]) <= PROBES.noise_growth * PROBES.usual_range_pct:
        return False
    if median(rh[now]) <= PROBES.noise_growth * median(rh[before]):
        return False
    return median(t[now]) < PROBES.temperature_growth * max(median(t[before]), PROBES.usual_range_k)


# -- gaps --------------------------------------------------------------------------------------------------------


def gaps(series: Series, interval_s: float, as_of_s: float) -> list[Span]:
    """Readings lost here and there over the last day, so many that its radio or battery is at fault.

    One long gap is a gateway's or a probe's silence and told as such.
    """
    times = series.time_s[series.time_s > as_of_s - 24 * HOUR_S]
    if len(times) < PROBES.gap_min_readings:
        return []
    step = times[1:] - times[:-1]
    usual = max(interval_s, percentile(step, PROBES.usual_step_pct))  # it may report less often than stated
    lost = np.rint(step / usual) - 1.0
    scattered = (lost >= 1.0) & (step < PROBES.scattered_gap_h * HOUR_S)
    share = float(lost[scattered].sum() / (lost[scattered].sum() + len(times)))
    enough = min(PROBES.gaps_a_day, PROBES.gaps_share * 24 * HOUR_S / usual)
    if scattered.sum() < enough or share < PROBES.lost_share:
        return []
    lost_share = Quantity(value=share, unit="1")
    why = FaultFacts(reason=FaultReason.LOSES_READINGS, value=lost_share, count=int(scattered.sum()))
    return [Span("gaps", float(times[0]), float(times[-1]), why)]


# -- clock -------------------------------------------------------------------------------------------------------


def clock_offset_s(series: Series, interval_s: float, as_of_s: float) -> float | None:
    """How far a probe's clock is off: positive ahead, negative behind; None if it can't be told. [s]

    Ahead: a reading can't be stamped after its arrival. Behind: live readings, one at a time, each arrive late by
    about the same; a backlog arrives in one burst and proves nothing.
    """
    lately = series.received_s > as_of_s - max(
        PROBES.clock_window_h * HOUR_S, PROBES.clock_window_intervals * interval_s
    )
    delay = series.received_s[lately] - series.time_s[lately]
    if len(delay) < PROBES.clock_min_readings:
        return None
    if delay.min() >= -PROBES.clock_ahead_s and delay.max() <= PROBES.clock_behind_s:
        return 0.0
    if np.median(delay) < -PROBES.clock_ahead_s:
        return float(-np.median(delay))
    arrivals = np.sort(series.received_s[lately])
    one_at_a_time = np.median(np.diff(arrivals)) > PROBES.one_at_a_time_share * interval_s
    minimum = float(np.min(delay[-max(PROBES.clock_min_readings, len(delay) // 2) :]))
    if one_at_a_time and minimum > max(PROBES.clock_behind_s, PROBES.clock_behind_intervals * interval_s):
        return -minimum
    return 0.0
