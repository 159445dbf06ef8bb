"""Mould: the index of a location's coldest surface over the whole job, and the criteria of standards beside it.

The surface's temperature comes from its contact sensor or the temperature factor where one is known, else the air at
the location is taken as it is. An hour in which that is not known is held and counted as unknown, never as dry.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.times import WEEK_H, utc
from monitord.analysis.surfaces.cold_surface import ColdSurface
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import MouldRisk, SurfaceSource
from monitord.model.facts import FindingKind, Growth, Material, SurfaceKind, Truth
from monitord.model.jobs import Location, LocationKind, MouldSensitivity
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_slope
from monitord.physics.mould.criteria import (
    ASHRAE_160_HOURS,
    ASHRAE_160_LIMIT_PCT,
    EARLY_CAUTION_HOURS,
    ashrae_160_exceeded,
    monthly_surface_humidity,
)
from monitord.physics.mould.index import SENSITIVITIES, MouldMaterial, mould_run
from monitord.physics.surfaces import surface_relative_humidity

WATCHED_KINDS = frozenset(
    {LocationKind.ROOM_AIR, LocationKind.CAVITY, LocationKind.SUBFLOOR_VOID, LocationKind.SURFACE}
)
"""Where mould is looked for: not in sealed sleeves or inside material, and not outdoors."""


@dataclass(frozen=True)
class SurfaceAir:
    """Temperature and humidity at the surface in each hour, each (n,); NaN where unknown."""

    temperature_c: Array
    humidity_pct: Array
    u_humidity_pct: Array
    surface: SurfaceKind | None
    """The surface; None: the air of the location."""
    source: SurfaceSource | None
    """How its temperature is known at the newest hour."""


def surface_air(series: HourlySeries, surface: ColdSurface | None) -> SurfaceAir:
    """What the mould model is run on: the air right at the coldest known surface, else the air of the location.

    Source
    ------
    EN ISO 13788:2012: humidity at a surface is the air's vapour at the surface's temperature. Its uncertainty is that
    of the margin to the dew point, times the slope of the saturation curve (JCGM 100:2008, 5.1.2).
    """
    if surface is None:
        known = np.isfinite(series.temperature_c) & np.isfinite(series.relative_humidity_pct)
        return SurfaceAir(
            np.where(known, series.temperature_c, np.nan),
            np.where(known, np.clip(series.relative_humidity_pct, 0.0, SERIES.max_rh_pct), np.nan),
            np.full(len(series), series.uncertainty.relative_humidity_pct),
            None,
            None,
        )
    t = surface.temperature_c
    known = np.isfinite(t)
    rh, u = np.full(len(t), np.nan), np.full(len(t), np.nan)
    rh[known] = surface_relative_humidity(t[known], series.vapour_pressure_pa[known])
    u[known] = rh[known] * saturation_slope(t[known]) * surface.u_margin_k[known]
    last = int(np.flatnonzero(known)[-1])
    return SurfaceAir(t, rh, u, surface.what, surface.source(last))


def material_of(location: Location) -> MouldMaterial:
    """What the model takes the surface to be made of; untreated pine, the most careful, where nothing is stated.

    Growth declines as on pine there, and at a quarter of that speed on other classes (our choice: sources leave the
    speed of decline to the material).
    """
    stated = location.mould_sensitivity or MouldSensitivity.VERY_SENSITIVE
    decline = 1.0 if stated is MouldSensitivity.VERY_SENSITIVE else SURFACES.slow_decline
    return MouldMaterial(SENSITIVITIES[stated.value], decline=decline)


@dataclass(frozen=True)
class MouldIndexSeries:
    """Mould index after each hour: as measured, and if every reading was drier or wetter by one standard uncertainty.

    Each (n,); an hour that is not known holds what was before it.
    """

    index: Array
    low: Array
    high: Array
    air: SurfaceAir
    material: MouldMaterial


def mould_index_series(series: HourlySeries, surface: ColdSurface | None) -> MouldIndexSeries | None:
    """The index over a location's track; None where nothing was ever known there."""
    air, material = surface_air(series, surface), material_of(series.location)
    if not (np.isfinite(air.temperature_c) & np.isfinite(air.humidity_pct)).any():
        return None
    n, uncertainty = len(air.temperature_c), np.nan_to_num(air.u_humidity_pct)
    wettest = air.humidity_pct + uncertainty
    if not (wettest >= material.sensitivity.lowest_rh_pct).any():
        return MouldIndexSeries(np.zeros(n), np.zeros(n), np.zeros(n), air, material)
    t = np.clip(air.temperature_c, SURFACES.min_surface_c, SURFACES.max_surface_c)  # both far outside where mould grows
    humidity = np.column_stack([air.humidity_pct, air.humidity_pct - uncertainty, wettest])
    humidity = np.clip(humidity, 0.0, 100.0)  # over saturation it is a wet surface to the model
    runs = humidity.shape[1]
    index = mould_run(np.repeat(t[:, None], runs, axis=1), humidity, [material] * runs).index
    own = index[:, 0]
    return MouldIndexSeries(own, np.minimum(index[:, 1], own), np.maximum(index[:, 2], own), air, material)


def mould_risk(
    series: HourlySeries, surface: ColdSurface | None, hour_s: float, zone: ZoneInfo, options: AnalysisOptions
) -> MouldRisk | None:
    """Mould at a location as of a full hour; None where nothing was ever known there.

    Parameters
    ----------
    series : the location's track to that hour.
    surface : its cold surface in those hours, where it has one.
    zone : the job's time zone, for calendar months.
    """
    modelled = mould_index_series(series, surface)
    if modelled is None:
        return None
    air, material = modelled.air, modelled.material
    known = np.isfinite(air.temperature_c) & np.isfinite(air.humidity_pct)
    index = float(modelled.index[-1])
    rate = _rate(modelled.index, known)
    days = _days_to_1(index, rate, options)
    lately = bool(known[-24:].sum() >= SURFACES.mould_min_h)
    month_mean, month_exceeded = _last_month(series.hour_s, air, zone)
    week = _tail_mean(air.humidity_pct, known, WEEK_H)
    caution = _criterion(air, EARLY_CAUTION_HOURS, options.mould_early_rh_pct)
    if caution and float(np.nanmean(air.temperature_c[-WEEK_H:])) < options.mould_early_min_c:
        caution = False
    unknown = float(1.0 - known[int(np.argmax(known)) :].mean())
    heading = None if not lately else _heading(index, days, options)
    return MouldRisk(
        at=utc(hour_s),
        surface=air.surface,
        surface_source=air.source,
        material=Material(material.sensitivity.name),
        growth=_growth(index, options),
        index=index,
        soon=days is not None and 0.0 < days <= SURFACES.shown_days,
        gaps_count=unknown >= SURFACES.shown_unknown_share,
        low=float(modelled.low[-1]),
        high=float(modelled.high[-1]),
        rate_per_day=rate,
        days_to_1=days,
        heading=heading,
        unknown_share=unknown,
        week_mean_rh=week,
        early_caution=caution,
        month_mean_rh=month_mean,
        month_exceeded=month_exceeded,
        thirty_days_exceeded=_criterion(air, ASHRAE_160_HOURS, ASHRAE_160_LIMIT_PCT),
        level=_level(index, heading, caution, options),
    )


def _rate(index: Array, known: NDArray[np.bool_]) -> float | None:
    """Change of the index per known day: over the last week, or the last three days if they were slower. [1/day]"""
    rates = []
    for hours in (WEEK_H, SURFACES.rate_span_h):
        known_h = int(known[-hours:].sum())
        if known_h < min(SURFACES.rate_min_h, SURFACES.known_share * hours):
            return None
        before = float(index[-hours - 1]) if len(index) > hours else 0.0
        rates.append((float(index[-1]) - before) / (known_h / 24.0))
    return min(rates)


def _days_to_1(index: float, rate: float | None, options: AnalysisOptions) -> float | None:
    if index >= options.mould_index_warn:
        return 0.0
    return (options.mould_index_warn - index) / rate if rate is not None and rate > 0.0 else None


def _heading(index: float, days: float | None, options: AnalysisOptions) -> float:
    soon = days is not None and days <= options.mould_days_ahead
    return max(index, options.mould_index_warn) if soon else index


def _criterion(air: SurfaceAir, window_h: int, limit_pct: float) -> bool | None:
    """Whether the running means to the last hour exceed the criterion's limit; None: too little is known."""
    if len(air.humidity_pct) < window_h:
        return None
    t = np.clip(air.temperature_c[-window_h:], SURFACES.min_surface_c, SURFACES.max_surface_c)
    verdict = ashrae_160_exceeded(t, air.humidity_pct[-window_h:], window_h, limit_pct)
    return bool(verdict[-1]) if len(verdict) and np.isfinite(verdict[-1]) else None


def _tail_mean(values: Array, known: NDArray[np.bool_], hours: int) -> float | None:
    lately = np.minimum(values[-hours:], 100.0)[known[-hours:]]
    return float(lately.mean()) if len(lately) >= SURFACES.known_share * hours else None


def _last_month(hour_s: Array, air: SurfaceAir, zone: ZoneInfo) -> tuple[float | None, bool | None]:
    """Mean surface humidity of the last calendar month that is known well enough, and EN ISO 13788's verdict."""
    recent = slice(-SURFACES.month_history_d * 24, None)
    offset = utc(float(hour_s[-1])).astimezone(zone).utcoffset()
    local = hour_s[recent] + (offset.total_seconds() if offset is not None else 0.0)
    month = local.astype("datetime64[s]").astype("datetime64[M]").astype(np.int64)
    humidity = air.humidity_pct[recent]
    enough = [m for m in np.unique(month) if np.isfinite(humidity[month == m]).sum() >= SURFACES.month_min_h]
    if not enough:
        return None, None
    of_month = month == enough[-1]
    found = monthly_surface_humidity(month[of_month], humidity[of_month], min_known_share=0.0)
    return float(found.mean_pct[0]), bool(found.exceeded[0])


def _level(index: float, heading: float | None, caution: bool | None, options: AnalysisOptions) -> str:
    if index >= options.mould_index_act:
        return "act"
    if index >= options.mould_index_warn:
        return "warn"
    soon = heading is not None and heading >= options.mould_index_warn
    return "watch" if soon or caution else "none"


def _growth(index: float, options: AnalysisOptions) -> Growth | None:
    if index >= options.mould_index_act:
        return Growth.VISIBLE
    return Growth.EARLY if index >= options.mould_index_warn else None


def mould_finding(series: HourlySeries, risk: MouldRisk, options: AnalysisOptions, every_s: float) -> Finding:
    """The finding about mould at a location: its value is the index that the surface is heading for."""
    return Finding(
        kind=FindingKind.MOULD,
        location=series.location.id,
        measured_at=risk.at,
        value=risk.heading,
        unit="mould index",
        u=0.5 * (risk.high - risk.low),
        readings=int(np.isfinite(series.vapour_pressure_pa[-24:]).sum()),
        interval_s=every_s,
        facts=_facts(risk),
    )


def conditions_finding(series: HourlySeries, risk: MouldRisk, every_s: float) -> Finding:
    """The finding about a surface humid enough for mould over a week, apart from the index."""
    mean = risk.week_mean_rh
    u = series.uncertainty.relative_humidity_pct
    return Finding(
        kind=FindingKind.MOULD_CONDITIONS,
        location=series.location.id,
        measured_at=risk.at,
        truth=Truth.of(risk.early_caution),
        readings=int(np.isfinite(series.vapour_pressure_pa[-24:]).sum()),
        interval_s=every_s,
        facts=Facts() if mean is None else Facts(value=Quantity(value=mean, u=u, unit="% RH")),
    )


def _facts(risk: MouldRisk) -> Facts:
    return Facts(
        value=Quantity(value=risk.index, u=0.5 * (risk.high - risk.low), unit=""),
        material=risk.material,
        growth=risk.growth or Growth.EARLY,
        start=risk.at + timedelta(days=risk.days_to_1 or 0.0) if risk.soon else None,
    )
