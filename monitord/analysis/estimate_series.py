"""The whole course of what is estimated by hour, for charts: mould index, timber, vapour pressure over other airs.

The last value of each is the one that the assessment of that hour gives: both come from the same functions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.hourly_results import HourlyResults
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.surfaces.cold_surface import Track, surfaces_of_hours
from monitord.analysis.surfaces.mould_risk import WATCHED_KINDS, MouldIndexSeries, mould_index_series
from monitord.analysis.wood.wood_moisture import WoodMoistureSeries, wood_moisture_series
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import VOID_KINDS, JobFile, Location, LocationKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.uncertainty import combine, u_vapour_pressure


@dataclass(frozen=True)
class Excess:
    """Vapour pressure at a location above that of another air, by hour, each (n,); NaN where either is unknown."""

    other: str
    """Location id of the other air."""
    value_pa: Array
    u_pa: Array
    """Standard uncertainty; both probes' errors are constant offsets mostly, so no averaging lessens it."""


@dataclass(frozen=True)
class EstimateSeries:
    """What is estimated of one location in each complete hour."""

    end_s: Array
    """End of each hour. [s]"""
    known: Array
    """1 where the location was measured in the hour, else 0."""
    mould: MouldIndexSeries | None = None
    wood: WoodMoistureSeries | None = None
    over_room: Excess | None = None
    over_outdoors: Excess | None = None


def estimate_series(
    job: JobFile, hours: HourlyResults, location: Location, options: AnalysisOptions
) -> EstimateSeries | None:
    """The courses at a location; None where nothing was ever measured there."""
    series = hours.all_series.get(location.id)
    if series is None or not np.isfinite(series.vapour_pressure_pa).any():
        return None
    room = location if location.kind is LocationKind.ROOM_AIR else job.room_of(location)
    inside, outside = _series(hours, room), _series(hours, job.outdoor())
    watched, timber = location.kind in WATCHED_KINDS, location.kind in VOID_KINDS
    surface = surfaces_of_hours([Track(series, inside, outside)], options)[0] if watched else None
    return EstimateSeries(
        end_s=series.hour_s + HOUR_S,
        known=np.isfinite(series.vapour_pressure_pa).astype(np.float64),
        mould=mould_index_series(series, surface) if watched else None,
        wood=wood_moisture_series(series, options) if timber else None,
        over_room=excess(series, inside),
        over_outdoors=excess(series, outside),
    )


def _series(hours: HourlyResults, air: Location | None) -> HourlySeries | None:
    return hours.all_series.get(air.id) if air is not None else None


def excess(series: HourlySeries, other: HourlySeries | None) -> Excess | None:
    """Vapour pressure of one track above another's on the same hours; None without another air.

    Source
    ------
    Standard uncertainties by JCGM 100:2008, 5.1.2, of both vapour pressures, taken as independent.
    """
    if other is None or other.location.id == series.location.id:
        return None
    value = series.vapour_pressure_pa - other.vapour_pressure_pa
    u = np.full(len(series), np.nan)
    known = np.isfinite(value)
    u[known] = combine(*(_u(each, known) for each in (series, other)))
    return Excess(other.location.id, value, u)


def _u(series: HourlySeries, known: Array) -> Array:
    t, rh = series.temperature_c[known], np.clip(series.relative_humidity_pct[known], 0.0, SERIES.max_rh_pct)
    return np.asarray(
        u_vapour_pressure(t, rh, series.uncertainty.temperature_k, series.uncertainty.relative_humidity_pct)
    )
