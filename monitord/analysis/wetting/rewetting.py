"""Getting wet again: a rise that neither the temperature nor the air around it explains.

What the airs, the warmth of the location and, in sealed concrete, a straight line of drying explain is predicted by a
regression with a physical prior; the rest is tested (`cavities`, `sleeves`). Water that creeps up from below is
too slow for that and is told by the sleeve's own course (`slow_rise`). Here the hits become one event with a beginning
and an end, and the event becomes a finding.
"""

from __future__ import annotations

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries, is_sleeve
from monitord.analysis.series.rolling import trailing_mean
from monitord.analysis.series.times import DAY_S, utc
from monitord.analysis.slabs.temperature_effect import sleeve_humidity_slope
from monitord.analysis.wetting import cavities, sleeves
from monitord.analysis.wetting.events import Event, hour_of, newest_event
from monitord.analysis.wetting.parameters import WETTING
from monitord.analysis.wetting.slow_rise import SlowRise, find_slow_rise
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind, Truth
from monitord.model.jobs import LocationKind
from monitord.model.series import HOUR_S, Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure


def _rise(series: HourlySeries, references: ReferenceSeries, sealed_s: float) -> Event | None:
    """The rise that stands. [% RH]"""
    keep = WETTING.event_hold_h
    if is_sleeve(series):
        hours = sleeves.window_hours(keep)
        series, references = series.last(hours), references.last(hours)
        hits, least = sleeves.hits(series, references, sealed_s, keep)[0], WETTING.sleeve_rise_pct
        return _event(hits, series.relative_humidity_pct, least, series)
    hours = cavities.window_hours(keep)
    series, references = series.last(hours), references.last(hours)
    hits, fit = cavities.hits(series, references, keep)
    if fit is None or not hits.any():
        return None
    void = series.location.kind is LocationKind.SUBFLOOR_VOID
    least = WETTING.void_rise_pct if void else WETTING.cavity_rise_pct
    return _event(hits, fit.excess_pct(_began(hits)), least, series)


def _began(hits: Flags) -> int:
    """Index of the first hit of the newest event."""
    at = np.flatnonzero(hits)
    began = int(at[-1])
    for i in at[::-1]:
        if began - i > WETTING.event_apart_h:
            break
        began = int(i)
    return began


def _event(hits: Flags, level: Array, least: float, series: HourlySeries) -> Event | None:
    """The newest event by the level given, with the humidity itself before it and now; None where none stands."""
    event = newest_event(
        hits,
        level,
        apart_h=WETTING.event_apart_h,
        back_share=WETTING.event_back_share,
        hold_h=WETTING.event_hold_h,
        min_fall=WETTING.event_min_fall_share * least,
        min_rise=WETTING.event_min_rise_share * least,
    )
    if event is None or not event.active:
        return None
    shown = cavities.level_of(series.relative_humidity_pct)
    before = shown[max(0, event.began - WETTING.before_gap_h) : max(1, event.began - WETTING.level_mean_h)]
    since = shown[event.began :]
    before, since = before[np.isfinite(before)], since[np.isfinite(since)]
    base = float(np.median(before)) if len(before) else float("nan")
    now, peak = (float(since[-1]), float(since.max())) if len(since) else (float("nan"), float("nan"))
    return Event(True, event.began, base, now, peak, hour_of(series.hour_s, event.began))


def _cleaned(sleeve: HourlySeries) -> Array:
    """Humidity of a sleeve at its mean temperature. [%]"""
    slow_t = trailing_mean(sleeve.temperature_c, WETTING.sleeve_clean_h)
    return np.asarray(sleeve.relative_humidity_pct - sleeve_humidity_slope(sleeve) * (slow_t - _mean(slow_t)))


def _slow_rise(
    sleeve: HourlySeries, references: ReferenceSeries, options: AnalysisOptions, settled_s: float
) -> SlowRise | None:
    """Whether a sleeve's concrete has turned from drying to getting wet, slowly and from below."""
    humidity = np.where(sleeve.hour_s >= settled_s, _cleaned(sleeve), np.nan)
    saturation = saturation_vapour_pressure(trailing_mean(sleeve.temperature_c, 24, WETTING.min_level_share))
    airs = [100.0 * air.vapour_pressure_pa / saturation for air in cavities.airs_of_place(references)]
    air = np.fmax.reduce(airs) if airs else np.full(len(sleeve), np.nan)
    return find_slow_rise(humidity, sleeve.temperature_c, air, WETTING.slow_rise_share * options.rewetting_sleeve_pct)


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0


def wetting(
    series: HourlySeries, references: ReferenceSeries, as_of_s: float, options: AnalysisOptions, settled_s: float
) -> Finding | None:
    """The finding about a location getting wet again; unknown while it is not measured.

    Only rises from `settled_s` on count: a sleeve that still approaches its concrete rises without being wetted. [s]
    """
    if len(series) < WETTING.min_hours_h:
        return None
    event = _rise(series, references, settled_s - options.sleeve_clock_h * HOUR_S)
    slow_rise = _slow_rise(series, references, options, settled_s) if event is None and is_sleeve(series) else None
    measured = bool(np.isfinite(series.relative_humidity_pct[-WETTING.level_mean_h :]).any())
    since, facts = None, Facts()
    outdoor_known = references.outdoor is not None and bool(
        np.isfinite(references.outdoor.vapour_pressure_pa[-24:]).any()
    )
    if event is not None:
        since = utc(event.began_s)
        now, base = _humidity(series, event.now), _humidity(series, event.base)
        facts = Facts(value=now, before=base, before_at=since, since=since, outdoor_known=outdoor_known)
    elif slow_rise is not None:
        since = utc(float(series.hour_s[-1]) + HOUR_S - DAY_S * slow_rise.days_ago)
        level, course = _humidity(series, slow_rise.level), _humidity(series, slow_rise.course)
        facts = Facts(value=level, expected=course, since=since, outdoor_known=outdoor_known)
    return Finding(
        kind=FindingKind.REWETTING,
        location=series.location.id,
        probe=None,
        measured_at=utc(as_of_s),
        truth=Truth.of(since is not None) if measured else Truth.UNKNOWN,
        readings=int(np.isfinite(series.relative_humidity_pct[-24:]).sum()),
        since=since,
        facts=facts,
    )


def _humidity(series: HourlySeries, value: float) -> Quantity:
    """A relative humidity of a location with the uncertainty of its probe."""
    return Quantity(value=value, u=series.uncertainty.relative_humidity_pct, unit="% RH")
