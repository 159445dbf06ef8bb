"""Which readings may speak: the flags of a placement, and the finding when its probe is at fault."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitord.analysis.probes import quality_checks as checks
from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.probes.placement_checks import drier_than_all, left_location
from monitord.analysis.probes.quality_checks import Span
from monitord.analysis.probes.quality_jumps import falling_away, offset, saturated
from monitord.analysis.series.calibration import Uncertainty, uncertainty_of
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.times import DAY_S, utc
from monitord.model.assessments import Facts, Finding, QualityFlag
from monitord.model.facts import Fault, FaultFacts, FaultReason, FindingKind, Truth
from monitord.model.jobs import AIR_KINDS, JobFile, Location, LocationKind
from monitord.model.quantity import Quantity
from monitord.model.series import HOUR_S, Array, Flags, PlacementRecord, Series
from monitord.physics.moist_air import vapour_pressure
from monitord.physics.uncertainty import combine, u_vapour_pressure

FAULTS = frozenset(fault.value for fault in Fault)
"""Kinds of flag that put a probe at fault."""


@dataclass(frozen=True)
class PlacementQuality:
    """What quality says of one placement."""

    spans: tuple[Span, ...]
    hourly_out: Array
    """(n hours): 1.0 where the hour is out of every verdict."""
    lone_s: Array
    """Times of single readings that are out: spikes."""


def _range_spans(record: PlacementRecord) -> list[Span]:
    hourly = record.hourly
    bad = checks.out_of_range(hourly.temperature_c, hourly.relative_humidity_pct)
    return checks.spans_of(
        "range", hourly.hour_s, bad, FaultFacts(reason=FaultReason.IMPOSSIBLE), PROBES.out_of_range_min_h
    )


_SPEAKS = frozenset({"spikes", "gaps"})
"""Faults that leave the hours around them fit for verdicts: lone values are out one by one, lost ones are not there."""


def _noise_spans(record: PlacementRecord, location: Location, as_of_s: float) -> tuple[list[Span], Flags]:
    """Noise and spikes of the last days, and the single readings they touch."""
    recent, air = record.recent, location.kind in AIR_KINDS or location.kind is LocationKind.SURFACE
    touched = checks.spikes(recent.relative_humidity_pct, PROBES.spike_limit_air_pct if air else PROBES.spike_limit_pct)
    touched |= checks.spikes(recent.temperature_c, PROBES.spike_limit_k)
    found = []
    times = recent.time_s[touched]
    last_day = times[times > as_of_s - 24 * HOUR_S]
    if len(last_day) >= PROBES.spikes_a_day:
        lone = FaultFacts(reason=FaultReason.LONE_VALUES, count=len(last_day))
        found.append(Span("spikes", float(last_day[0]), float(last_day[-1]), lone))
    window = recent.time_s > as_of_s - PROBES.noise_window_h * HOUR_S
    if np.count_nonzero(window) >= PROBES.noise_min_readings and checks.has_become_noisy(record.hourly):
        noise = checks.white_noise(recent.relative_humidity_pct[window])
        if noise > (PROBES.noise_limit_air_pct if air else PROBES.noise_limit_pct):
            start = float(recent.time_s[window][0])
            jitter = FaultFacts(reason=FaultReason.JITTERS, value=checks.humidity(noise))
            found.append(Span("noisy", start, as_of_s, jitter))
    return found, touched


def _clock_span(record: PlacementRecord, as_of_s: float) -> list[Span]:
    offset = checks.clock_offset_s(record.recent, record.placement.interval_s, as_of_s)
    if not offset:
        return []
    kind, reason = (
        ("clock_ahead", FaultReason.CLOCK_AHEAD) if offset > 0 else ("clock_behind", FaultReason.CLOCK_BEHIND)
    )
    why = FaultFacts(reason=reason, value=Quantity(value=abs(offset), unit="s"))
    return [Span(kind, as_of_s - PROBES.clock_window_h * HOUR_S, as_of_s, why)]


class _OnHours:
    """Values of tracks on some hours, NaN where unknown, each (n,)."""

    def __init__(self, hour_s: Array, *all_series: HourlySeries | None) -> None:
        """`tracks` : those that are asked for, all on one grid of hours."""
        self._n = len(hour_s)
        grid = next((series.hour_s for series in all_series if series is not None and len(series)), None)
        if grid is None:
            return
        index = np.rint((hour_s - grid[0]) / HOUR_S).astype(np.int64)
        self._inside = (index >= 0) & (index < len(grid))
        self._index = index[self._inside]

    def of(self, series: HourlySeries | None, value: str) -> Array:
        out = np.full(self._n, np.nan)
        if series is not None and len(series):
            out[self._inside] = getattr(series, value)[self._index]
        return out


def _location_spans(
    record: PlacementRecord, location: Location, room: HourlySeries | None, outdoor: HourlySeries | None, job: JobFile
) -> list[Span]:
    """What its location and the air around it say against a probe."""
    hourly, placement = record.hourly, record.placement
    if len(hourly) < PROBES.location_min_h:
        return []
    on_hours = _OnHours(hourly.hour_s, room, outdoor)
    room_rh = on_hours.of(room, "relative_humidity_pct")
    found = saturated(hourly, location.kind)
    found += offset(hourly, location.kind, room_rh) + falling_away(hourly, location.kind, room_rh)
    if room is None or location.kind in AIR_KINDS:
        return found
    rh = np.clip(hourly.relative_humidity_pct, 0.0, SERIES.max_rh_pct)
    vp = vapour_pressure(hourly.temperature_c, rh, humidity_over=placement.humidity_over.value)
    uncertainty = uncertainty_of(placement, job.calibrations, float(hourly.hour_s[-1]))
    u_pa = _u_apart(uncertainty, room.uncertainty)
    room_c, room_pa = on_hours.of(room, "temperature_c"), on_hours.of(room, "vapour_pressure_pa")
    if location.kind is not LocationKind.SLAB_SLEEVE:
        outdoor_pa = on_hours.of(outdoor, "vapour_pressure_pa")
        found += drier_than_all(hourly.hour_s, vp, room_pa, outdoor_pa, u_pa)
    return found + left_location(hourly.hour_s, hourly.temperature_c, vp, room_c, room_pa, u_pa)


@lru_cache(maxsize=64)
def _u_apart(one: Uncertainty, other: Uncertainty) -> float:
    """Standard uncertainty of the difference of two vapour pressures in usual indoor air. [Pa]"""
    t, rh = PROBES.usual_indoor_c, PROBES.usual_indoor_rh_pct
    each = (u_vapour_pressure(t, rh, d.temperature_k, d.relative_humidity_pct) for d in (one, other))
    return float(combine(*each))


def assess_placement(
    record: PlacementRecord,
    location: Location,
    room: HourlySeries | None,
    job: JobFile,
    as_of_s: float,
    outdoor: HourlySeries | None = None,
) -> PlacementQuality:
    """Flag the readings of a placement; `room` is the track of the room beside it, for locations in an element."""
    noise, touched = _noise_spans(record, location, as_of_s)
    spans = _range_spans(record) + checks.stuck(record.hourly, location.kind) + noise
    spans += _clock_span(record, as_of_s) + _location_spans(record, location, room, outdoor, job)
    spans += checks.gaps(record.recent, record.placement.interval_s, as_of_s)
    return PlacementQuality(tuple(spans), hours_out(record, spans), record.recent.time_s[touched])


def hours_out(record: PlacementRecord, spans: Sequence[Span]) -> Array:
    """For each hour of a placement 1.0 if a span puts it out of every verdict, else 0.0."""
    hours = record.hourly.hour_s
    out = np.zeros(len(hours))
    for span in spans:
        if span.kind not in _SPEAKS:
            out[(hours + HOUR_S > span.start_s) & (hours < span.end_s)] = 1.0
    return out


def without_common_drift(
    judged: dict[tuple[str, float], PlacementQuality], records: dict[tuple[str, float], PlacementRecord]
) -> dict[tuple[str, float], PlacementQuality]:
    """The same without drifts that began within three days of another's: what moves several is no probe's fault."""
    starts = {key: [s.start_s for s in q.spans if s.kind == "drift"] for key, q in judged.items()}
    out = dict(judged)
    for key, mine in starts.items():
        others = [start for other, found in starts.items() if other != key for start in found]
        common = {
            start for start in mine if any(abs(start - other) < PROBES.common_drift_days * DAY_S for other in others)
        }
        if common:
            spans = tuple(s for s in judged[key].spans if not (s.kind == "drift" and s.start_s in common))
            out[key] = PlacementQuality(spans, hours_out(records[key], spans), judged[key].lone_s)
    return out


def recent_out(quality: PlacementQuality | None, recent: Series) -> Flags:
    """Which recent readings are out of every verdict; also readings newer than the judgement.

    A span that reached the newest reading it knew of is taken to go on.
    """
    out = checks.out_of_range(recent.temperature_c, recent.relative_humidity_pct)
    if quality is None:
        return out
    if len(quality.lone_s):
        out |= np.isin(recent.time_s, quality.lone_s)
    newest = max((span.end_s for span in quality.spans), default=0.0)
    for span in quality.spans:
        if span.kind not in _SPEAKS:
            goes_on = span.end_s >= newest and recent.time_s[-1] - span.end_s < 2 * HOUR_S if len(recent) else False
            end = np.inf if goes_on else span.end_s
            out |= (recent.time_s >= span.start_s) & (recent.time_s < end)
    return out


def flags_of(quality: PlacementQuality, record: PlacementRecord, as_of_s: float) -> tuple[QualityFlag, ...]:
    """The flags as people see them; one that reaches the newest readings has no end yet."""
    return tuple(
        QualityFlag(
            kind=span.kind,
            probe=record.placement.probe,
            start=utc(span.start_s),
            end=None if _holds(span, as_of_s) else utc(span.end_s),
            why=span.why,
        )
        for span in quality.spans
    )


def _holds(span: Span, as_of_s: float) -> bool:
    return span.end_s > as_of_s - (PROBES.lone_holds_h if span.kind in _SPEAKS else PROBES.holds_h) * HOUR_S


def fault_finding(
    quality: PlacementQuality, record: PlacementRecord, location: Location, as_of_s: float
) -> Finding | None:
    """The finding about a probe at fault: true while a fault holds, none without readings.

    Its readings are `excluded` unless all that is wrong are lone or lost ones: then the rest of what it says counts.
    """
    recent = record.recent
    oldest = as_of_s - PROBES.last_seen_h * HOUR_S - PROBES.last_seen_intervals * record.placement.interval_s
    if not len(recent) or recent.received_s.max() < oldest:
        return None
    holding = [span for span in quality.spans if span.kind in FAULTS and _holds(span, as_of_s)]
    probe = record.placement.probe
    since = utc(min(span.start_s for span in holding)) if holding else None
    facts = Facts()
    if holding:
        first = min(holding, key=lambda span: span.start_s)
        excluded = any(span.kind not in _SPEAKS for span in holding)
        facts = Facts(fault=Fault(first.kind), excluded=excluded, since=since)
    return Finding(
        kind=FindingKind.PROBE_FAULT,
        location=location.id,
        probe=probe,
        measured_at=utc(as_of_s),
        truth=Truth.of(bool(holding)),
        readings=len(recent),
        since=since,
        facts=facts,
    )
