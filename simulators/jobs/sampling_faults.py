"""Draws faults of probes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simulators.probes import faults as ft
from simulators.probes.faults import Fault
from simulators.probes.measuring import Probe
from simulators.scenario import DAY_S, Scenario

Rng = np.random.Generator

_HIDDEN = ("slab_sleeve", "cavity", "subfloor_void")


def _either_way(rng: Rng, low: float, high: float) -> float:
    return float(rng.choice([-1.0, 1.0])) * float(rng.uniform(low, high))


_AMOUNTS: dict[str, Callable[[Rng], float]] = {
    ft.DRIFT: lambda rng: _either_way(rng, 0.35, 1.6),
    ft.OFFSET: lambda rng: _either_way(rng, 6.0, 16.0),
    ft.SPIKES: lambda rng: float(rng.uniform(0.015, 0.08)),
    ft.NOISY: lambda rng: float(rng.uniform(2.0, 7.0)),
    ft.CLOCK_AHEAD: lambda rng: float(rng.choice([900.0, 3600.0, 7200.0, 86_400.0, 37_000.0])),
    ft.CLOCK_BEHIND: lambda rng: -float(rng.choice([1800.0, 3600.0, 7200.0, 86_400.0, 300_000.0])),
    ft.SATURATED: lambda rng: float(rng.choice([100.0, 99.9, 99.0])),
    ft.GAPS: lambda rng: float(rng.uniform(0.5, 0.9)),
    ft.STUCK: lambda rng: float(rng.random()),
}


def _pool(scenario: Scenario, rng: Rng, kind: str, taken: set[str]) -> list[Probe]:
    """The probes that may have a fault of a kind."""
    where = {placement.probe: placement.location for placement in scenario.placements if placement.to_s is None}
    kinds = {location.id: location.kind for location in scenario.locations}
    pool = [p for p in scenario.probes if p.id in where and p.id not in taken]
    if kind == ft.FALLEN_OUT:
        return [p for p in pool if kinds[where[p.id]] in _HIDDEN]
    if kind == ft.STUCK:  # a sleeve hardly moves for days: there nobody could tell at once
        return [p for p in pool if kinds[where[p.id]] != "slab_sleeve" or rng.random() < 0.2]
    return pool


def draw_fault(scenario: Scenario, rng: Rng, kind: str, taken: set[str]) -> Fault | None:
    """A fault of one kind for a probe that has none yet; none where no probe fits."""
    pool = _pool(scenario, rng, kind, taken)
    if not pool:
        return None
    probe = pool[int(rng.integers(len(pool)))]
    placed = next(s.from_s for s in scenario.placements if s.probe == probe.id and s.to_s is None)
    start = max(scenario.moment(rng, 0.15, 0.7), placed + 4 * DAY_S)
    lasting = scenario.end_s + DAY_S
    end = lasting if rng.random() < 0.6 else min(start + DAY_S * float(rng.uniform(2, 12)), lasting)
    if kind == ft.DRIFT:
        end = lasting
    elif kind == ft.BATTERY:
        end = min(start + DAY_S * float(rng.uniform(5, 15)), scenario.end_s - DAY_S)
    amount = _AMOUNTS[kind](rng) if kind in _AMOUNTS else 0.0
    if end - start < DAY_S:
        return None
    taken.add(probe.id)
    return Fault(kind, probe.id, start, end, amount)
