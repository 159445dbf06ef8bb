"""What is computed reading by reading, for charts and tables: no verdict, only moist air."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np

from monitord.analysis.series.calibration import corrected_series, uncertainty_of
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.surfaces.cold_surface import mean_before
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Placement
from monitord.model.series import HOUR_S, Array, Hourly, Series
from monitord.physics.moist_air import (
    dew_or_frost_point,
    humidity_ratio,
    standard_pressure,
    vapour_pressure,
    wet_bulb,
)
from monitord.physics.surfaces import surface_temperature_from_factor, u_surface_temperature_from_factor
from monitord.physics.uncertainty import combine, u_dew_or_frost_point, u_humidity_ratio, u_vapour_pressure


def _none() -> Array:
    return np.empty(0, dtype=np.float64)


@dataclass(frozen=True)
class Derived:
    """Calibrated values of one placement and what follows from them, with standard uncertainties (k = 1), each (n,).

    NaN where the reading lacks what is needed, or no equation holds for it.
    """

    time_s: Array = field(default_factory=_none)
    temperature_c: Array = field(default_factory=_none)
    u_temperature_k: Array = field(default_factory=_none)
    relative_humidity_pct: Array = field(default_factory=_none)
    u_relative_humidity_pct: Array = field(default_factory=_none)
    vapour_pressure_pa: Array = field(default_factory=_none)
    u_vapour_pressure_pa: Array = field(default_factory=_none)
    dew_point_c: Array = field(default_factory=_none)
    u_dew_point_k: Array = field(default_factory=_none)
    humidity_ratio_g_kg: Array = field(default_factory=_none)
    u_humidity_ratio_g_kg: Array = field(default_factory=_none)
    surface_temperature_c: Array = field(default_factory=_none)
    temperature_low_c: Array = field(default_factory=_none)
    """Lowest and highest of what a value stands for: of its hour, or the reading itself."""
    temperature_high_c: Array = field(default_factory=_none)
    relative_humidity_low_pct: Array = field(default_factory=_none)
    relative_humidity_high_pct: Array = field(default_factory=_none)

    def __len__(self) -> int:
        return len(self.time_s)


def derived_series(series: Series, placement: Placement, job: JobFile) -> Derived:
    """Vapour pressure, dew point and humidity ratio of a placement's raw readings.

    Parameters
    ----------
    series : Raw readings of the placement; the job's calibrations are applied here.
    placement : The placement: its accuracy, and what its relative humidity refers to below 0 °C.
    job : Gives the calibrations, and the elevation that sets the air pressure.

    Returns
    -------
    One value for each reading: Pa, °C (frost point below 0 °C) and g/kg of dry air. A relative humidity above 105 %
    or a temperature outside -50..100 °C gives NaN; so does
    the dew point of air drier than 0.1 % RH.

    Source
    ------
    As in `physics.moist_air` and `physics.uncertainty` (ASHRAE 2017 ch. 1; JCGM 100:2008, 5.1.2).
    """
    if not len(series):
        return Derived()
    fixed = corrected_series(series, placement, job.calibrations)
    uncertainty = uncertainty_of(placement, job.calibrations, float(series.time_s[-1]))
    over, pressure = placement.humidity_over.value, float(standard_pressure(job.elevation_m))
    t = _in_range(fixed.temperature_c, SURFACES.min_shown_c, SURFACES.max_shown_c)
    rh = _in_range(fixed.relative_humidity_pct, 0, SERIES.max_rh_pct)
    u_t, u_rh = np.full_like(t, uncertainty.temperature_k), np.full_like(rh, uncertainty.relative_humidity_pct)
    damp = np.where(rh >= SURFACES.min_shown_rh_pct, rh, np.nan)
    vp = vapour_pressure(t, rh, humidity_over=over)
    boiling = vp >= SURFACES.max_vapour_share * pressure  # a faulty probe: hotter and wetter than air in any building
    vp_air, damp = np.where(boiling, np.nan, vp), np.where(boiling, np.nan, damp)
    return Derived(
        time_s=fixed.time_s,
        temperature_c=t,
        u_temperature_k=u_t,
        relative_humidity_pct=rh,
        u_relative_humidity_pct=u_rh,
        vapour_pressure_pa=vp_air,
        u_vapour_pressure_pa=u_vapour_pressure(t, damp, u_t, u_rh, humidity_over=over),
        dew_point_c=dew_or_frost_point(np.where(np.isnan(damp), np.nan, vp_air)),
        u_dew_point_k=u_dew_or_frost_point(t, damp, u_t, u_rh, humidity_over=over),
        humidity_ratio_g_kg=1000.0 * humidity_ratio(vp_air, pressure),
        u_humidity_ratio_g_kg=1000.0 * u_humidity_ratio(t, damp, u_t, u_rh, pressure, humidity_over=over),
        surface_temperature_c=_in_range(fixed.surface_temperature_c, SURFACES.min_shown_c, SURFACES.max_shown_c),
        temperature_low_c=t,
        temperature_high_c=t,
        relative_humidity_low_pct=rh,
        relative_humidity_high_pct=rh,
    )


def wet_bulbs(values: Derived, placement: Placement, job: JobFile) -> Array:
    """Wet-bulb temperature of each reading, (n,), as a sling psychrometer beside the probe would show. [°C]

    NaN where the reading lacks what is needed, or is hotter than 80 °C.
    """
    usable = np.isfinite(values.vapour_pressure_pa) & (values.temperature_c <= SURFACES.max_wet_bulb_c)
    found = np.full(len(values), np.nan)
    found[usable] = wet_bulb(
        values.temperature_c[usable],
        values.relative_humidity_pct[usable],
        float(standard_pressure(job.elevation_m)),
        humidity_over=placement.humidity_over.value,
    )
    return found


def derived_hours(hourly: Hourly, placement: Placement, job: JobFile) -> Derived:
    """The same from hourly medians, each stamped in the middle of its hour, for spans too long for every reading.

    With the lowest and highest temperature and humidity of each hour, moved by the correction as the median is.
    """
    nothing = np.full(len(hourly), np.nan)
    middles = Series(
        time_s=hourly.hour_s + HOUR_S / 2.0,
        temperature_c=hourly.temperature_c,
        relative_humidity_pct=hourly.relative_humidity_pct,
        surface_temperature_c=hourly.surface_temperature_c,
        battery_v=nothing,
        received_s=nothing,
    )
    made = derived_series(middles, placement, job)
    t, rh = made.temperature_c - hourly.temperature_c, made.relative_humidity_pct - hourly.relative_humidity_pct
    return replace(
        made,
        temperature_low_c=_in_range(hourly.temperature_min_c + t, SURFACES.min_shown_c, SURFACES.max_shown_c),
        temperature_high_c=_in_range(hourly.temperature_max_c + t, SURFACES.min_shown_c, SURFACES.max_shown_c),
        relative_humidity_low_pct=_in_range(hourly.relative_humidity_min_pct + rh, 0, SERIES.max_rh_pct),
        relative_humidity_high_pct=_in_range(hourly.relative_humidity_max_pct + rh, 0, SERIES.max_rh_pct),
    )


def joined(placements: list[Derived]) -> Derived:
    """Several placements at one location in order of time, with a row of NaN between two so that no line joins them."""
    there = [placement for placement in placements if len(placement)]
    if len(there) < 2:
        return there[0] if there else Derived()
    parts: dict[str, list[Array]] = {item.name: [] for item in fields(Derived)}
    for index, placement in enumerate(there):
        for name, columns in parts.items():
            if index:
                columns.append(placement.time_s[:1] if name == "time_s" else np.array([np.nan]))
            columns.append(getattr(placement, name))
    return Derived(**{name: np.concatenate(columns) for name, columns in parts.items()})


def _in_range(values: Array, low: float, high: float) -> Array:
    return np.where((values >= low) & (values <= high), values, np.nan)


def surface_by_factor(
    derived: Derived, f_rsi: float, room: Derived, outdoor: Derived, averaging_h: float, options: AnalysisOptions
) -> tuple[Array, Array]:
    """Surface temperature and its standard uncertainty at the times of `derived`. [°C], [K], each (n,)

    NaN where room or outdoor air was not measured nearby in time.

    Parameters
    ----------
    memory_h : over how many hours the wall remembers both airs, as `cold_surface.memory_h` gives it for a location.

    Source
    ------
    EN ISO 13788:2012, temperature factor, as in `physics.surfaces`; the memory as in `cold_surface`.
    """
    inside, u_inside = _at(derived.time_s, room, options)
    outside, u_outside = _at(derived.time_s, outdoor, options)
    both = np.isfinite(inside) & np.isfinite(outside)
    room_mean, outdoor_mean = (
        np.where(both, mean_before(air.time_s, air.temperature_c, derived.time_s, HOUR_S * averaging_h), np.nan)
        for air in (room, outdoor)
    )
    surface = surface_temperature_from_factor(f_rsi, room_mean, outdoor_mean)
    u = u_surface_temperature_from_factor(f_rsi, room_mean, outdoor_mean, options.f_rsi_u, u_inside, u_outside)
    memory = options.surface_averaging_u * np.abs(surface - surface_temperature_from_factor(f_rsi, inside, outside))
    return surface, combine(u, memory)


def _at(time_s: Array, air: Derived, options: AnalysisOptions) -> tuple[Array, Array]:
    """Temperature of another air at given times, linear between its readings, with its standard uncertainty."""
    known = np.isfinite(air.temperature_c)
    times = air.time_s[known]
    if not len(times):
        return np.full_like(time_s, np.nan), np.full_like(time_s, np.nan)
    after = np.clip(np.searchsorted(times, time_s), 1, max(1, len(times) - 1))
    last = len(times) - 1
    away = np.minimum(np.abs(time_s - times[after - 1]), np.abs(times[np.minimum(after, last)] - time_s))
    near = away <= max(options.pairing_age_s, HOUR_S)
    return (
        np.where(near, np.interp(time_s, times, air.temperature_c[known]), np.nan),
        np.where(near, np.interp(time_s, times, air.u_temperature_k[known]), np.nan),
    )
