"""Truth of probes: what is wrong with them, and when nothing came from them."""

from __future__ import annotations

import numpy as np

from simulators.probes import faults as ft
from simulators.probes.faults import Fault
from simulators.probes.gateway import Readings
from simulators.probes.measuring import IN_HAND
from simulators.scenario import DAY_S, Scenario
from simulators.truth.records import ProbeFault, Silence, Span

_MIN_GAP_S = 3600.0
_MIN_OF_MANY_S = 6 * 3600.0
"""A probe that loses most of its readings has the fault `gaps`; only its longest silences are told one by one."""
_INTERVALS = 6.0


def probe_faults(scenario: Scenario) -> list[ProbeFault]:
    """The faults with where they were and from when on they could be seen."""
    found = []
    for fault in scenario.faults:
        placement = next(s for s in scenario.placements if s.probe == fault.probe and s.to_s is None)
        found.append(
            ProbeFault(
                probe=fault.probe,
                location=placement.location,
                kind=fault.kind,
                from_s=fault.start_s,
                to_s=min(fault.end_s, scenario.end_s),
                amount=fault.amount,
                noticeable_s=_noticeable(fault, scenario),
            )
        )
    return found


def _noticeable(fault: Fault, scenario: Scenario) -> float:
    if fault.kind != ft.DRIFT or fault.amount == 0.0:
        return fault.start_s
    probe = next(p for p in scenario.probes if p.id == fault.probe)
    return fault.start_s + 1.5 * probe.accuracy_pct / abs(fault.amount) * DAY_S


def silences(scenario: Scenario, readings: Readings) -> list[Silence]:
    """Gaps in what arrived from each placed probe: six intervals and an hour, at the least."""
    found = []
    interval = {p.id: p.interval_s for p in scenario.probes}
    for placement in (s for s in scenario.placements if s.location != IN_HAND):
        first, last = max(placement.from_s, scenario.start_s), min(placement.to_s or scenario.end_s, scenario.end_s)
        if last <= first:
            continue
        index = readings.probes.index(placement.probe) if placement.probe in readings.probes else -1
        received = readings.received_s[readings.probe == index].astype(float)
        received = received[(received >= first) & (received <= last)]
        marks = np.concatenate([[first], np.sort(received), [last]])
        minimum = max(_INTERVALS * interval[placement.probe], _MIN_GAP_S)
        for k in np.flatnonzero(np.diff(marks) >= minimum):
            a, b = float(marks[k]), float(marks[k + 1])
            cause = _cause(scenario, placement.probe, a, b)
            if cause != ft.GAPS or b - a >= _MIN_OF_MANY_S:
                found.append(Silence(placement.probe, placement.location, a, b, cause))
    return found


def watched(scenario: Scenario, location: str, silent: list[Silence]) -> list[Span]:
    """Times in which a probe was at a location and was heard."""
    spans: list[Span] = []
    for placement in (s for s in scenario.placements if s.location == location):
        first, last = max(placement.from_s, scenario.start_s), min(placement.to_s or scenario.end_s, scenario.end_s)
        for gap in sorted(
            (x for x in silent if x.probe == placement.probe and x.location == location), key=lambda x: x.from_s
        ):
            if gap.from_s > first:
                spans.append((first, gap.from_s))
            first = max(first, gap.to_s)
        if last > first:
            spans.append((first, last))
    return sorted(spans)


def _cause(scenario: Scenario, probe: str, from_s: float, to_s: float) -> str:
    for fault in scenario.faults:
        meets = fault.start_s < to_s and (fault.end_s > from_s or fault.kind == ft.BATTERY)
        if fault.probe == probe and fault.kind in (ft.SILENT, ft.BATTERY, ft.GAPS) and meets:
            return fault.kind
    if any(o.start_s < to_s and o.end_s > from_s for o in scenario.outages):
        return "outage"
    return "lost"
