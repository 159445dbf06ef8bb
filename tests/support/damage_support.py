"""Builders for tests of condensation, mould, timber and ventilation: jobs, series and newest readings from arrays."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from monitord.analysis.air.comparison import Present
from monitord.analysis.air.outdoor_forecast import OutdoorForecast
from monitord.analysis.hourly_results import HourlyResults
from monitord.analysis.series import daily_cycle
from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.daily_cycle import Continuation
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.surfaces.cold_surface import ColdSurface, Track, surfaces_of_hours
from monitord.analysis.surfaces.night_ahead import Evening, nights_ahead
from monitord.analysis.surfaces.surface_of_readings import Place, surfaces_of_readings
from monitord.analysis.surfaces.surface_risk import surface_risks
from monitord.model.assessments import Finding, SurfaceRisk
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import NightAhead
from monitord.model.jobs import HumidityOver, JobFile, Location, LocationKind
from monitord.model.series import HOUR_S, Array, Series
from monitord.physics.moist_air import vapour_pressure

START = datetime(2025, 1, 6, tzinfo=UTC)
START_S = START.timestamp()
NO_UNCERTAINTY = Uncertainty(0.0, 0.0)
USUAL = Uncertainty(0.15, 1.0)


def location(kind: str = "cavity", id_: str = "here", **more: Any) -> Location:
    return Location(id=id_, kind=LocationKind(kind), **more)


def hours(n: int, value: float | Array) -> Array:
    return np.broadcast_to(np.asarray(value, dtype=np.float64), (n,)).copy()


def track(
    location: Location,
    t: float | Array,
    rh: float | Array,
    n: int | None = None,
    surface: float | Array = np.nan,
    uncertainty: Uncertainty = USUAL,
    start_s: float = START_S,
) -> HourlySeries:
    """Hourly values of a location from `start_s` on."""
    n = n if n is not None else len(np.atleast_1d(t))
    temperature, humidity = hours(n, t), hours(n, rh)
    vapour = np.asarray(vapour_pressure(temperature, humidity))
    grid = start_s + HOUR_S * np.arange(n)
    return HourlySeries(location, grid, temperature, humidity, vapour, hours(n, surface), uncertainty, "p")


def newest(
    location: Location,
    t: float | Array,
    rh: float | Array,
    surface: float | Array = np.nan,
    n: int = 160,
    uncertainty: Uncertainty = USUAL,
    over: str = "water",
    probe: str | None = None,
    step_s: float = 600.0,
) -> Present:
    """Readings of a location every ten minutes from `START_S` on."""
    time_s = START_S + step_s * np.arange(n)
    series = Series(time_s, hours(n, t), hours(n, rh), hours(n, surface), hours(n, np.nan), time_s)
    return Present(location, series, uncertainty, step_s, HumidityOver(over), probe or f"p-{location.id}")


def job_of(*locations: Location, zone: str = "UTC", elevation_m: float = 0.0) -> JobFile:
    return JobFile(job="j", start=START, timezone=zone, elevation_m=elevation_m, locations=locations)


def view_of(*all_series: HourlySeries) -> HourlyResults:
    """The view of hours that ends where the tracks end."""
    return HourlyResults(all_series[0].end_s or START_S, all_series={t.location.id: t for t in all_series})


def surface_of_readings(
    present: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> ColdSurface | None:
    """The cold surface of one location alone."""
    return surfaces_of_readings([Place(present, room, outdoor)], options)[0]


def surface_risk(
    present: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> tuple[SurfaceRisk, Finding] | None:
    """The risk at one location alone."""
    return surface_risks([Place(present, room, outdoor)], options)[0]


def surface_of_hours(
    series: HourlySeries, room: HourlySeries | None, outdoor: HourlySeries | None, options: AnalysisOptions
) -> ColdSurface | None:
    """The cold surface of one track alone."""
    return surfaces_of_hours([Track(series, room, outdoor)], options)[0]


def night_ahead(
    series: HourlySeries,
    surface: ColdSurface,
    room: HourlySeries | None,
    outdoor: HourlySeries | None,
    options: AnalysisOptions,
    forecast: OutdoorForecast | None = None,
) -> NightAhead | None:
    """The night ahead of one surface alone."""
    return nights_ahead([Evening(series, surface, room, outdoor)], options, forecast)[0]


def continue_series(value: Array, hours: int, days: int, min_u: float, **more: Any) -> Continuation | None:
    """One series alone, continued."""
    return daily_cycle.continue_series(value[None], hours, days, min_u, **more)[0]
