"""The topics on which alerts are judged: what is true of each in a job, and which alerts speak of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numpy as np

from monitord.replay.run import parse_time
from simulators.evaluation.matching import DAY_S, HOUR_S, Call, Terms, Topic, TrueEvent
from simulators.evaluation.records import AlertRecord, Case, Verdicts
from simulators.probes import faults as ft
from simulators.rolling import runs
from simulators.truth.records import LocationTruth

STALL, REWETTING, DRIVE, CONDENSATION = "stall", "rewetting", "drive lost", "condensation"
FAULT, SILENCE, NEVER, MOULD = "probe fault", "silence", "goal out of reach", "mould"

_TERMS = {
    STALL: Terms(2 * DAY_S, 2 * DAY_S, 3 * DAY_S),
    REWETTING: Terms(6 * HOUR_S, DAY_S, 2 * DAY_S),
    DRIVE: Terms(3 * HOUR_S, 3 * HOUR_S, 2 * DAY_S),
    CONDENSATION: Terms(12 * HOUR_S, 12 * HOUR_S, 36 * HOUR_S),
    FAULT: Terms(HOUR_S, DAY_S, 2 * DAY_S),
    SILENCE: Terms(HOUR_S, 2 * HOUR_S, 3 * HOUR_S),
    NEVER: Terms(2 * DAY_S, DAY_S, 3 * DAY_S),
    MOULD: Terms(10 * DAY_S, DAY_S, 5 * DAY_S),
}

_NEW_WATER_S = 5 * DAY_S
_MIN_DEPTH_K, _NEAR_K = 0.3, 0.5
_MOULD, _MOULD_NEAR = 1.0, 0.7
_FAULT_KINDS = {ft.BATTERY: ("probe_fault", "low_battery", "probe_silent"), ft.SILENT: ("probe_silent", "probe_fault"),
                ft.GAPS: ("probe_fault", "probe_silent")}  # fmt: skip
"""Which alerts find these faults of probes; the others are found by `probe_fault` alone."""


def topics(case: Case, said: Verdicts) -> Iterator[Topic]:
    """All topics of a job."""
    for build in _BUILDERS:
        yield build(case, said)


def _calls(case: Case, said: Verdicts, kind: str, key: Callable[[AlertRecord], str | None]) -> list[Call]:
    end_s = case.truth.end_s
    return [
        Call(key(a) or "", a.opened_s, a.closed_s if a.closed_s is not None else end_s, a.words)
        for a in said.alerts
        if a.kind == kind
    ]


def _by_location(alert: AlertRecord) -> str | None:
    return alert.location


def _by_probe(alert: AlertRecord) -> str | None:
    return alert.probe


def _watched(location: LocationTruth, event: TrueEvent) -> TrueEvent:
    """The event as far as a probe was heard: judged if that is half of it or two days, counted from the first of it."""
    from_s, to_s = event.from_s, event.to_s
    seen = [(max(a, from_s), min(b, to_s)) for a, b in location.watched if a < to_s and b > from_s]
    enough = sum(b - a for a, b in seen) >= min(0.5 * (to_s - from_s), 2 * DAY_S)
    return replace(event, judged=event.judged and enough, seen_s=seen[0][0] if seen else None)


def _length_s(case: Case) -> float:
    return case.truth.end_s - case.truth.start_s


def _stalls(case: Case, said: Verdicts) -> Topic:
    events, with_goal = [], 0
    for key, location in case.truth.locations.items():
        with_goal += location.goal is not None
        events += [_watched(location, TrueEvent(key, s.from_s, s.to_s, s.cause)) for s in location.stalls]
        events += [TrueEvent(key, a, b, judged=False) for a, b in (*location.unclear, *location.wetting_days)]
    calls = _calls(case, said, "drying_stalled", _by_location)
    return Topic(STALL, events, calls, with_goal * _length_s(case), _TERMS[STALL])


def _rewetting(case: Case, said: Verdicts) -> Topic:
    events, enclosed = [], 0
    for key, location in case.truth.locations.items():
        enclosed += location.kind in ("slab_sleeve", "cavity", "subfloor_void")
        events += [
            _watched(
                location,
                TrueEvent(key, w.onset_s, max(w.over_s, w.end_s), w.cause, w.felt_s, judged=w.felt_s is not None),
            )
            for w in location.rewetting
            if w.cause != "air"
        ]
    calls = _calls(case, said, "rewetting", _by_location)
    return Topic(REWETTING, events, calls, enclosed * _length_s(case), _TERMS[REWETTING])


def _drive(case: Case, said: Verdicts) -> Topic:
    kinds = {location["id"]: location["kind"] for location in case.job["locations"]}
    lost = sorted(case.truth.drive_lost, key=lambda d: (d.room, d.from_s))
    beside = {location["id"]: location["reference"] for location in case.job["locations"]}

    def room(alert: AlertRecord) -> str | None:
        at = alert.location or ""
        return at if kinds.get(at) == "room_air" else beside.get(at)

    events = [
        _watched(case.truth.locations[h.key], h)
        for h in _merged(TrueEvent(d.room, d.from_s, d.to_s, d.cause, d.felt_s, judged=d.matters) for d in lost)
        if h.key in case.truth.locations
    ]
    events += [TrueEvent(where, at, at + _NEW_WATER_S, judged=False) for where, at in case.moisture]
    rooms = sum(kind == "room_air" for kind in kinds.values())
    return Topic(DRIVE, events, _calls(case, said, "drive_lost", room), rooms * _length_s(case), _TERMS[DRIVE])


def _merged(events: Iterable[TrueEvent]) -> list[TrueEvent]:
    """Events that overlap in a room are one: a power cut stops machine and heating together."""
    out: list[TrueEvent] = []
    for event in events:
        if not out or out[-1].key != event.key or event.from_s > out[-1].to_s:
            out.append(event)
            continue
        first = out[-1]
        felt = [h.felt_s for h in (first, event) if h.felt_s is not None]
        out[-1] = replace(
            first,
            to_s=max(first.to_s, event.to_s),
            cause=first.cause if first.judged or not event.judged else event.cause,
            felt_s=min(felt, default=None),
            judged=first.judged or event.judged,
        )
    return out


def _condensation(case: Case, said: Verdicts) -> Topic:
    events = []
    for key, margins in case.margins_k.items():
        location = case.truth.locations[key]
        for c in location.condensation:
            noticeable = c.deepest_k >= _MIN_DEPTH_K
            cause = "by 1 K and more" if c.deepest_k >= 1.0 else "by less than 1 K"
            events.append(_watched(location, TrueEvent(key, c.from_s, c.to_s, cause, judged=noticeable)))
        near = runs(np.array(margins) < _NEAR_K, join=24)
        start_s = case.truth.start_s
        events += [TrueEvent(key, start_s + a * HOUR_S, start_s + b * HOUR_S, judged=False) for a, b in near]
    calls = _calls(case, said, "condensation", _by_location)
    return Topic(CONDENSATION, events, calls, len(case.margins_k) * _length_s(case), _TERMS[CONDENSATION])


def _mould(case: Case, said: Verdicts) -> Topic:
    events, looked_at, start_s = [], 0, case.truth.start_s
    factor = {location["id"]: location["f_rsi"] for location in case.job["locations"]}
    for key, location in case.truth.locations.items():
        if not location.mould_index or (factor[key] is not None and key not in case.margins_k):
            continue  # the truth is that of a surface that nobody can know
        looked_at += 1
        index = np.array(location.mould_index)
        for a, b in runs(index >= _MOULD_NEAR):
            grown = np.flatnonzero(index[a:b] >= _MOULD)
            at = a + int(grown[0]) if len(grown) else a
            span = (start_s + at * HOUR_S, start_s + b * HOUR_S)
            events.append(_watched(location, TrueEvent(key, *span, judged=bool(len(grown)))))
            events.append(TrueEvent(key, start_s + a * HOUR_S, span[1], judged=False))
    calls = _calls(case, said, "mould", _by_location)
    return Topic(MOULD, events, calls, looked_at * _length_s(case), _TERMS[MOULD])


def _placements_s(case: Case) -> float:
    """Time of all stays of probes in the job. [s]"""
    start_s, end_s = case.truth.start_s, case.truth.end_s
    total = 0.0
    for placement in case.job["probes"]:
        last = end_s if placement["to"] is None else min(parse_time(placement["to"]), end_s)
        total += max(0.0, last - max(parse_time(placement["from"]), start_s))
    return total


def _faults(case: Case, said: Verdicts) -> Topic:
    events = [
        TrueEvent(f.probe, f.from_s, f.to_s, f.kind, f.noticeable_s, judged=f.noticeable_s < f.to_s)
        for f in case.truth.probe_faults
    ]
    calls = _calls(case, said, "probe_fault", _by_probe)
    for kind in ("low_battery", "probe_silent"):
        # these find the faults that they are about, and are not false alarms of this topic elsewhere
        for call in _calls(case, said, kind, _by_probe):
            about = [h for h in events if h.key == call.key and kind in _FAULT_KINDS.get(h.cause, ())]
            if any(h.from_s <= call.from_s <= h.to_s + DAY_S for h in about):
                calls.append(call)
    return Topic(FAULT, events, calls, _placements_s(case), _TERMS[FAULT])


def _silences(case: Case, said: Verdicts) -> Topic:
    interval = {p["id"]: float(p["interval_s"]) for p in case.job["probes"]}
    events = [
        TrueEvent(
            s.probe, s.from_s, s.to_s, s.cause, judged=s.to_s - s.from_s >= 2 * max(6 * interval[s.probe], HOUR_S)
        )
        for s in case.truth.silences
    ]
    events += [
        TrueEvent(f.probe, f.from_s, f.to_s, judged=False)
        for f in case.truth.probe_faults
        if f.kind in (ft.GAPS, ft.BATTERY, ft.SILENT)
    ]
    calls = _calls(case, said, "probe_silent", _by_probe)
    return Topic(SILENCE, events, calls, _placements_s(case), _TERMS[SILENCE])


def _never(case: Case, said: Verdicts) -> Topic:
    events, with_goal = [], 0
    for key, location in case.truth.locations.items():
        with_goal += location.goal is not None
        events += [_watched(location, TrueEvent(key, a, b)) for a, b in location.never_in_this_air]
    calls = _calls(case, said, "goal_unreachable", _by_location)
    return Topic(NEVER, events, calls, with_goal * _length_s(case), _TERMS[NEVER])


_BUILDERS = (_stalls, _rewetting, _drive, _condensation, _mould, _faults, _silences, _never)
