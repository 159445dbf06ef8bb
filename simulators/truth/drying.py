"""Truth of drying: when a goal is met, what the air allows, and whether a place has stalled or is merely slow."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulators.building import events as ev
from simulators.building.air_equilibrium import SlabWarmth, concrete_end, enclosed_pressure, part_of, timber_end
from simulators.building.climate import Weather
from simulators.building.events import Event
from simulators.building.simulation import Simulation
from simulators.building.structure import Building
from simulators.rolling import block_means, centred_mean, runs
from simulators.scenario import RH, STEP_S, TIMBER_MC, VP_EXCESS, Location, Scenario
from simulators.truth.ground_truth import Hourly, LocationHistory
from simulators.truth.records import LocationTruth, Span, Stall

Array = NDArray[np.float64]

HOUR_S, DAY_S = 3600.0, 86_400.0
MIN_SHARE = 0.10
"""Stalled: what remains falls by less than this share in seven days."""
MIN_STALL_H = 96
MET_LATELY_H = 720
"""What met its goal in the 30 days before has dried: that weather lifts it again is no stall, nor is an alert of one
false."""
_HALF_H = 36
"""Progress is judged on means over three days, centred, so that daily cycles do not count."""
_AIR_HALF_H = 60
_AHEAD_H = 240
_JOIN_H = 36
_CAUSES = (*sorted(ev.DRIVE_KINDS), ev.GROUND_RISE)


def _hours(values: Array) -> Array:
    return block_means(values, int(HOUR_S / STEP_S))


def air_edges(scenario: Scenario, first_s: float) -> tuple[int, ...]:
    """Hours from `first_s` at which something changes the air."""
    times = [t for e in scenario.events if not e.benign and e.kind != ev.LEAK for t in (e.start_s, e.end_s)]
    times += [room.machine_from_s for room in scenario.rooms if room.machine is not None]
    return tuple(sorted({round((t - first_s) / HOUR_S) for t in times}))


def air_end(
    location: Location,
    scenario: Scenario,
    building: Building,
    sim: Simulation,
    histories: dict[str, LocationHistory],
    room: LocationHistory,
) -> Array:
    """What a location's goal metric would come to in the air of those days, for each hour.

    Empty where the question makes no sense. Means over five days, centred, that never reach across an event that
    changes the air.
    """
    goal = location.goal
    if goal is None or location.kind in ("room_air", "surface"):
        return np.empty(0)
    edges = air_edges(scenario, float(sim.weather.time_s[0]))

    def calm(values: Array) -> Array:
        return centred_mean(_hours(values), _AIR_HALF_H, edges)

    weather: Weather = sim.weather
    room_pa = calm(room.vapour_pressure_pa)
    if location.sleeve is not None:
        index = [s.id for s in building.slabs].index(location.sleeve.slab)
        depth_c = calm(sim.history.depth_c[:, [p.id for p in scenario.sleeves].index(location.id)])
        slab, drive = building.slabs[index], sim.slab_forcing
        warm = SlabWarmth(calm(drive.top_c[:, index]), depth_c, calm(drive.bottom_c[:, index]))
        return concrete_end(slab, location.sleeve.depth_mm, room_pa, warm, calm(drive.feed_pa[:, index]))
    part = part_of(building, location.part)
    share = np.ones(len(weather.time_s))
    for event in ev.of(scenario.events, part.id, ev.VENTS_SHUT):
        share[event.on(weather.time_s)] = event.amount
    pressure = enclosed_pressure(part, room_pa, calm(weather.vapour_pressure_pa), _hours(weather.ground_c), calm(share))
    own_c = calm(histories[location.id].temperature_c)
    if goal["metric"] == TIMBER_MC:
        return timber_end(pressure, own_c)
    if goal["metric"] == VP_EXCESS:
        return pressure - calm(histories[str(location.reference)].vapour_pressure_pa)
    assert goal["metric"] == RH
    # the mean of a humidity is that of each hour's, for temperature swings about its mean
    hourly_share = calm(1.0 / histories[location.id].saturation_pa)
    return np.asarray(np.minimum(100.0 * pressure * hourly_share, 100.0))


def label_goal(truth: LocationTruth, hourly: Hourly, limit: float, start_s: float, end_s: float, end: Array) -> None:
    """Fill in when the goal is met, in the job and beyond it."""
    inside = (hourly.hour_s > start_s) & (hourly.hour_s <= end_s)
    met = hourly.windowed <= limit
    truth.hour_s = hourly.hour_s[inside].tolist()
    truth.metric, truth.metric_windowed = hourly.mean[inside].tolist(), hourly.windowed[inside].tolist()
    first = int(np.flatnonzero(inside)[0])
    truth.goal_met = [
        (float(hourly.hour_s[first + a]), float(hourly.hour_s[first + b - 1])) for a, b in runs(met[inside])
    ]
    when = np.flatnonzero(met & (hourly.hour_s > start_s))
    if len(when):
        truth.eta_s = float(hourly.hour_s[when[0]])
        truth.eta_reason = "met" if truth.eta_s <= end_s else "later"
        return
    last = float(np.mean(end[-24:])) if len(end) else float(hourly.windowed[-1])
    truth.eta_reason = "never" if last > limit else "beyond_horizon"


def _min_ahead(end: Array, edges: tuple[int, ...]) -> Array:
    """The least of the air's equilibrium from each hour on, over ten days or until something changes the air.

    Air that is itself drying towards the goal does not forbid it.
    """
    minimum = np.empty_like(end)
    for a, b in itertools.pairwise([0, *sorted(e for e in edges if 0 < e < len(end)), len(end)]):
        for k in range(a, b):
            minimum[k] = end[k : min(b, k + _AHEAD_H)].min()
    return minimum


def never_spans(
    truth: LocationTruth, hourly: Hourly, limit: float, end: Array, edges: tuple[int, ...], job: Span
) -> None:
    """Fill in the times in which the goal cannot be met in this air: its equilibrium lies above, for two days on."""
    start_s, end_s = job
    n = len(end)
    hour_s = hourly.hour_s[:n]
    inside = (hour_s > start_s) & (hour_s <= end_s)
    truth.air_equilibrium = end[inside].tolist()
    ahead = _min_ahead(end, edges)
    above = (ahead > limit) & inside & (hourly.windowed[:n] > limit)
    spans = runs(above, join=12, minimum=48)
    truth.never_in_this_air = [(float(hour_s[a]), float(hour_s[b - 1])) for a, b in spans]
    if spans:
        truth.never_margin = float(min(np.min(end[a:b]) for a, b in spans) - limit)


def label_progress(
    truth: LocationTruth,
    hourly: Hourly,
    limit: float,
    end: Array,
    events: Sequence[Event],
    wetting: Sequence[Span],
    job: Span,
    unit: float,
) -> None:
    """Fill in stalls, times of slow drying, and times in which water is coming.

    Parameters
    ----------
    events : those that are not benign and touch this location or its air.
    wetting : times in which water that came is felt at the location.
    unit : what one % RH is worth in the metric.
    """
    mean = centred_mean(hourly.mean, _HALF_H)
    lead = np.roll(mean, -_HALF_H)
    lag = np.roll(mean, _HALF_H)
    fall_week = (lag - lead) * (168.0 / (2 * _HALF_H))
    remaining = mean - limit
    flat = (remaining > 0) & (fall_week < MIN_SHARE * remaining)
    flat[:_HALF_H] = flat[-_HALF_H:] = False
    flat &= (hourly.windowed > limit) & (hourly.hour_s > job[0]) & (hourly.hour_s <= job[1])
    wet = np.zeros(len(flat), dtype=bool)
    for a, b in wetting:
        wet |= (hourly.hour_s >= a) & (hourly.hour_s <= b)
    truth.wetting_days = _spans(hourly, runs(flat & wet, join=12, minimum=12))
    high = np.zeros(len(flat), dtype=bool)
    if len(end):
        high[: len(end)] = end >= limit
    met = (hourly.windowed <= limit) & (hourly.hour_s > job[0])
    for a, b in runs(flat & ~wet, join=_JOIN_H, minimum=MIN_STALL_H):
        if met[max(a - MET_LATELY_H, 0) : a].any():
            truth.unclear.append((float(hourly.hour_s[a]), float(hourly.hour_s[b - 1])))
            continue
        _sort_run(truth, hourly, high, a, b, [e for e in events if _worsened(e, hourly, end, unit)])


def _worsened(event: Event, hourly: Hourly, end: Array, unit: float) -> bool:
    """Whether an event raised what the air allows by five % RH or more."""
    if not len(end):
        return True
    hour_s = hourly.hour_s[: len(end)]
    before = (hour_s >= event.start_s - 3 * DAY_S) & (hour_s < event.start_s)
    after = (hour_s >= event.start_s + 43_200.0) & (hour_s < min(event.start_s + 5 * DAY_S, event.end_s))
    return bool(before.any() and after.any() and end[after].mean() - end[before].mean() >= 5.0 * unit)


def _spans(hourly: Hourly, found: list[tuple[int, int]]) -> list[Span]:
    return [(float(hourly.hour_s[a]), float(hourly.hour_s[b - 1])) for a, b in found]


def _sort_run(
    truth: LocationTruth, hourly: Hourly, high: NDArray[np.bool_], a: int, b: int, events: Sequence[Event]
) -> None:
    """One stretch without progress: a stall because of the air, a stall because something changed, or slow."""
    from_s, to_s = float(hourly.hour_s[a]), float(hourly.hour_s[b - 1])
    changed = [e for e in events if e.kind in _CAUSES and -2 <= (from_s - e.start_s) / DAY_S <= 5 and e.end_s > from_s]
    if high[a:b].mean() > 0.5:
        begin = max((e.start_s for e in changed if abs(e.start_s - from_s) <= 2 * DAY_S), default=from_s)
        truth.stalls.append(Stall(begin, to_s, "air"))
    elif changed:
        event = max(changed, key=lambda e: e.start_s)
        begin = event.start_s if abs(event.start_s - from_s) <= 2 * DAY_S else from_s
        finish = min(to_s, event.end_s + DAY_S)
        if finish - begin >= MIN_STALL_H * HOUR_S:
            truth.stalls.append(Stall(begin, finish, event.kind))
        else:
            truth.unclear.append((from_s, to_s))
    else:
        truth.slow.append((from_s, to_s))
