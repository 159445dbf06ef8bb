"""Truth of events: water that comes, drives that are lost, and water on cold surfaces."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitord.physics.moist_air import dew_or_frost_point
from simulators.building import events as ev
from simulators.building.events import Event
from simulators.building.mould import mould_index
from simulators.building.simulation import SimulatedHistory
from simulators.rolling import block_means, runs, trailing_mean
from simulators.scenario import STEP_S, Location, Scenario
from simulators.truth.ground_truth import LocationHistory, saturation
from simulators.truth.records import Condensation, DriveLost, Rewetting, Span

Array = NDArray[np.float64]

FELT_SLEEVE_PCT, FELT_VOID_PCT, FELT_ROOM_PCT = 1.5, 3.0, 5.0
"""Rises from which an event counts as felt (common practice)."""
MIN_CONDENSATION_S = 1800.0
_DAY_STEPS = round(86_400.0 / STEP_S)
_SHORT_S = 6 * 3600.0


def water_events(location: Location, scenario: Scenario) -> list[Event]:
    """What brings water to a location itself."""
    target = location.sleeve.slab if location.sleeve is not None else location.part
    return [e for e in ev.of(scenario.events, target, ev.LEAK, ev.GROUND_RISE) if e.start_s < scenario.end_s]


def rewetting(
    location: Location, happened: LocationHistory, without: LocationHistory | None, time_s: Array, scenario: Scenario
) -> list[Rewetting]:
    """The waters that came to a location; what they did is the difference from the same job without them."""
    found = []
    if location.kind not in ("slab_sleeve", "cavity", "subfloor_void"):
        return []
    for event in water_events(location, scenario):
        if without is None:
            raise ValueError(f"{location.id}: the course without the water is missing")
        rise = happened.humidity_pct - without.humidity_pct
        after = (time_s >= event.start_s) & (time_s <= scenario.end_s)
        minimum = FELT_SLEEVE_PCT if location.sleeve is not None else FELT_VOID_PCT
        felt = np.flatnonzero(after & (rise >= minimum))
        found.append(
            Rewetting(
                onset_s=event.start_s,
                felt_s=float(time_s[felt[0]]) if len(felt) else None,
                end_s=min(event.end_s, scenario.end_s),
                over_s=_half_gone(rise, time_s, event, scenario.end_s),
                peak_rise_pct=float(rise[after].max()) if after.any() else 0.0,
                cause="ground" if event.kind == ev.GROUND_RISE else "leak",
            )
        )
    return found


def _half_gone(rise: Array, time_s: Array, event: Event, end_s: float) -> float:
    """When half of what an event raised was gone for good, or the end."""
    during = (time_s >= event.start_s) & (time_s <= end_s)
    high = np.flatnonzero(during & (rise >= 0.5 * rise[during].max()))
    return min(float(time_s[high[-1]]), end_s) if len(high) else event.end_s


def air_wetting(history: LocationHistory, time_s: Array, job: Span, wet: Sequence[Rewetting]) -> list[Span]:
    """Rises of the daily mean by 3 % RH and more over its least in the five days before, without water coming."""
    daily = trailing_mean(history.humidity_pct, _DAY_STEPS)
    hourly = daily[5::6]
    hour_s = time_s[5::6]
    n = len(hourly)
    lowest = np.array([hourly[max(0, k - 120) : k + 1].min() for k in range(n)])
    risen = (hourly - lowest >= FELT_VOID_PCT) & (hour_s > job[0]) & (hour_s <= job[1])
    for event in wet:
        risen &= ~((hour_s >= event.onset_s) & (hour_s <= event.end_s + 5 * 86_400.0))
    return [(float(hour_s[a]), float(hour_s[b - 1])) for a, b in runs(risen, join=24, minimum=6)]


def drives_lost(
    scenario: Scenario, happened: SimulatedHistory, without: SimulatedHistory | None, nodes: dict[str, int]
) -> list[DriveLost]:
    """Machines, heatings and windows that took the drying's drive away."""
    lost = []
    for event in scenario.events:
        if event.benign or event.kind not in (ev.MACHINE_OFF, ev.HEATING_OFF, ev.WINDOW_OPEN):
            continue
        if event.target not in nodes or event.end_s - event.start_s < _SHORT_S or without is None:
            continue
        node = nodes[event.target]
        extra_pa = happened.vapour_pressure_pa[:, node] - without.vapour_pressure_pa[:, node]
        extra_pct = (happened.relative_humidity() - without.relative_humidity())[:, node]
        time_s = happened.time_s
        last = min(event.end_s, scenario.end_s)
        settled = (time_s >= event.start_s + min(12 * 3600.0, 0.5 * (last - event.start_s))) & (time_s < last)
        felt = np.flatnonzero((time_s >= event.start_s) & (time_s < last) & (extra_pct >= FELT_ROOM_PCT))
        lost.append(
            DriveLost(
                room=event.target,
                from_s=event.start_s,
                to_s=last,
                cause=event.kind,
                effect_pa=float(extra_pa[settled].mean()) if settled.any() else 0.0,
                effect_pct=float(extra_pct[settled].mean()) if settled.any() else 0.0,
                felt_s=float(time_s[felt[0]]) if len(felt) else None,
                matters=bool(settled.any() and extra_pct[settled].mean() >= FELT_ROOM_PCT),
            )
        )
    return lost


def condensation(history: LocationHistory, time_s: Array, job: Span) -> list[Condensation]:
    """Times in which the coldest surface lies below the dew or frost point for half an hour and more."""
    if history.surface_c is None:
        return []
    margin = history.surface_c - np.asarray(dew_or_frost_point(np.maximum(history.vapour_pressure_pa, 0.2)))
    wet = (margin < 0.0) & (time_s >= job[0]) & (time_s < job[1])
    spells = runs(wet, minimum=round(MIN_CONDENSATION_S / STEP_S))
    episodes: list[list[tuple[int, int]]] = []
    for spell in spells:
        if episodes and spell[0] - episodes[-1][-1][1] < _DAY_STEPS:
            episodes[-1].append(spell)
        else:
            episodes.append([spell])
    return [
        Condensation(
            from_s=float(time_s[e[0][0]]),
            to_s=float(time_s[e[-1][1] - 1] + STEP_S),
            hours=sum(b - a for a, b in e) * STEP_S / 3600.0,
            deepest_k=float(-min(margin[a:b].min() for a, b in e)),
        )
        for e in episodes
    ]


def mould_hours(history: LocationHistory, inside: slice) -> list[float]:
    """Mould index at the end of each hour of the job, at the coldest surface or else in the air."""
    warm = history.temperature_c if history.surface_c is None else history.surface_c
    pressure = block_means(history.vapour_pressure_pa, 6)[inside]
    temperature = block_means(warm, 6)[inside]
    humidity = np.clip(100.0 * pressure / saturation(temperature), 0.1, 100.0)
    return [float(x) for x in mould_index(temperature, humidity)]
