"""Truth of probes: what is wrong with them, and when nothing came from them."""

from __future__ import annotations

import numpy as np

from simulators.probes import faults as ft
from simulators.probes.faults import Fault
from simulators.probes.gateway import Readings
from simulators.probes.measuring import IN_HAND
from simulators.scenario import DAY_S, Plan
from simulators.truth.records import ProbeFault, Silence, Span

_LEAST_GAP_S = 3600.0
_LEAST_OF_MANY_S = 6 * 3600.0
"""A probe that loses most of its readings has the fault `gaps`; only its longest silences are told one by one."""
_INTERVALS = 6.0


def probe_faults(plan: Plan) -> list[ProbeFault]:
    """The faults with where they were and from when on they could be seen."""
    found = []
    for fault in plan.faults:
        stay = next(s for s in plan.stays if s.probe == fault.probe and s.to_s is None)
        found.append(
            ProbeFault(
                probe=fault.probe,
                location=stay.location,
                kind=fault.kind,
                from_s=fault.start_s,
                to_s=min(fault.end_s, plan.end_s),
                amount=fault.amount,
                noticeable_s=_noticeable(fault, plan),
            )
        )
    return found


def _noticeable(fault: Fault, plan: Plan) -> float:
    if fault.kind != ft.DRIFT or fault.amount == 0.0:
        return fault.start_s
    probe = next(p for p in plan.probes if p.id == fault.probe)
    return fault.start_s + 1.5 * probe.accuracy_pct / abs(fault.amount) * DAY_S


def silences(plan: Plan, readings: Readings) -> list[Silence]:
    """Gaps in what arrived from each placed probe: six intervals and an hour, at the least."""
    found = []
    interval = {p.id: p.interval_s for p in plan.probes}
    for stay in (s for s in plan.stays if s.location != IN_HAND):
        first, last = max(stay.from_s, plan.start_s), min(stay.to_s or plan.end_s, plan.end_s)
        if last <= first:
            continue
        index = readings.probes.index(stay.probe) if stay.probe in readings.probes else -1
        received = readings.received_s[readings.probe == index].astype(float)
        received = received[(received >= first) & (received <= last)]
        marks = np.concatenate([[first], np.sort(received), [last]])
        least = max(_INTERVALS * interval[stay.probe], _LEAST_GAP_S)
        for k in np.flatnonzero(np.diff(marks) >= least):
            a, b = float(marks[k]), float(marks[k + 1])
            cause = _cause(plan, stay.probe, a, b)
            if cause != ft.GAPS or b - a >= _LEAST_OF_MANY_S:
                found.append(Silence(stay.probe, stay.location, a, b, cause))
    return found


def watched(plan: Plan, location: str, silent: list[Silence]) -> list[Span]:
    """Times in which a probe was at a location and was heard."""
    spans: list[Span] = []
    for stay in (s for s in plan.stays if s.location == location):
        first, last = max(stay.from_s, plan.start_s), min(stay.to_s or plan.end_s, plan.end_s)
        for gap in sorted(
            (x for x in silent if x.probe == stay.probe and x.location == location), key=lambda x: x.from_s
        ):
            if gap.from_s > first:
                spans.append((first, gap.from_s))
            first = max(first, gap.to_s)
        if last > first:
            spans.append((first, last))
    return sorted(spans)


def _cause(plan: Plan, probe: str, from_s: float, to_s: float) -> str:
    for fault in plan.faults:
        meets = fault.start_s < to_s and (fault.end_s > from_s or fault.kind == ft.BATTERY)
        if fault.probe == probe and fault.kind in (ft.SILENT, ft.BATTERY, ft.GAPS) and meets:
            return fault.kind
    if any(o.start_s < to_s and o.end_s > from_s for o in plan.outages):
        return "outage"
    return "lost"
