"""Ventilation: would outdoor air dry a room or wet it, by how much water, and condense on a cold surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.air.comparison import Present, interpolated
from monitord.analysis.air.measures import Balance, as_good_as_first, clearly_helps, measures
from monitord.analysis.air.parameters import AIR
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.times import utc
from monitord.model.assessments import Quantity, SurfaceRisk
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import Ventilation, VentilationEffect, WetPlaces
from monitord.model.jobs import AIR_KINDS, JobFile, Location
from monitord.model.series import Array
from monitord.physics.constants import R_DRY_AIR, ZERO_CELSIUS_K
from monitord.physics.moist_air import humidity_ratio, saturation_vapour_pressure, standard_pressure, vapour_pressure
from monitord.physics.surfaces import condensation_margin, probability_of_condensation
from monitord.physics.uncertainty import combine, u_dew_or_frost_point, u_humidity_ratio, u_vapour_pressure


@dataclass(frozen=True)
class VentilationDay:
    """Room air against outdoor air over the last day of complete hours."""

    difference: Quantity | None = None
    share: float | None = None
    water: Quantity | None = None


def water_per_hour(
    room_c: Array, room_pa: Array, outdoor_pa: Array, pressure_pa: float, options: AnalysisOptions
) -> Array:
    """Water that ventilation carries out of a room, each (n,); below 0 it brings water in. [g/h]

    The dry air that leaves at room temperature comes back as outdoor air: m = n V p_da/(R_da T) (W_room - W_out),
    with humidity ratios of ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 20.
    """
    dry_air = (pressure_pa - room_pa) / (R_DRY_AIR * (room_c + ZERO_CELSIUS_K))
    exchanged = options.airing_changes_per_h * options.airing_volume_m3 * dry_air
    gained = humidity_ratio(room_pa, pressure_pa) - humidity_ratio(outdoor_pa, pressure_pa)
    return np.asarray(1000.0 * exchanged * gained)


def ventilation_day(
    room: HourlySeries, outdoor: HourlySeries, elevation_m: float, options: AnalysisOptions
) -> VentilationDay:
    """What ventilation would have done in each hour of the last day, taken together."""
    a, b = room.last(24), outdoor.last(24)
    known = np.isfinite(a.vapour_pressure_pa) & np.isfinite(b.vapour_pressure_pa) & np.isfinite(a.temperature_c)
    if known.sum() < AIR.ventilation_day_min_h:
        return VentilationDay()
    pressure = float(standard_pressure(elevation_m))
    difference = a.vapour_pressure_pa[known] - b.vapour_pressure_pa[known]
    u = np.hypot(_u_pa(a, known), _u_pa(b, known))
    water = water_per_hour(
        a.temperature_c[known], a.vapour_pressure_pa[known], b.vapour_pressure_pa[known], pressure, options
    )
    mean, u_mean = float(difference.mean()), float(u.mean())
    grams = float(water.mean()) * 24
    # the humidity ratios' difference is nearly in proportion to that of the vapour pressures, and so is its uncertainty
    per_pa = float(np.abs(water).sum() / max(float(np.abs(difference).sum()), 1e-9)) * 24
    return VentilationDay(
        difference=Quantity(value=mean, u=u_mean, unit="Pa"),
        share=float(np.mean(difference > options.coverage * u)),
        water=Quantity(value=grams, u=per_pa * u_mean, unit="g"),
    )


def _u_pa(series: HourlySeries, known: NDArray[np.bool_]) -> Array:
    """Standard uncertainty of a track's vapour pressure; a constant offset of the probe, so it does not average."""
    t, rh = series.temperature_c[known], np.clip(series.relative_humidity_pct[known], 0.0, SERIES.max_rh_pct)
    return np.asarray(
        u_vapour_pressure(t, rh, series.uncertainty.temperature_k, series.uncertainty.relative_humidity_pct)
    )


@dataclass(frozen=True)
class _Now:
    """Both airs at the newest time at which both are known."""

    time_s: float
    room_c: float
    room_pa: float
    u_room_pa: float
    outdoor_pa: float
    u_outdoor_pa: float
    water: Quantity
    outdoor_u_dew_k: float


def _now(room: Present, outdoor: Present, pressure_pa: float, options: AnalysisOptions) -> _Now | None:
    at = room.series.time_s[-1:]
    t, rh = float(room.series.temperature_c[-1]), float(room.series.relative_humidity_pct[-1])
    t_out = float(interpolated(outdoor, at, outdoor.series.temperature_c, options)[0])
    rh_out = float(interpolated(outdoor, at, outdoor.series.relative_humidity_pct, options)[0])
    if not np.isfinite([t, rh, t_out, rh_out]).all():
        return None
    over, over_out = room.humidity_over.value, outdoor.humidity_over.value
    u = room.uncertainty.temperature_k, room.uncertainty.relative_humidity_pct
    u_out = outdoor.uncertainty.temperature_k, outdoor.uncertainty.relative_humidity_pct
    p, p_out = vapour_pressure(t, rh, over), vapour_pressure(t_out, rh_out, over_out)
    water = float(water_per_hour(np.array([t]), np.array([p]), np.array([p_out]), pressure_pa, options)[0])
    u_w = combine(
        u_humidity_ratio(t, rh, *u, pressure_pa, humidity_over=over),
        u_humidity_ratio(t_out, rh_out, *u_out, pressure_pa, humidity_over=over_out),
    )
    dry_air = (pressure_pa - p) / (R_DRY_AIR * (t + ZERO_CELSIUS_K))
    u_water = 1000.0 * options.airing_changes_per_h * options.airing_volume_m3 * dry_air * float(u_w)
    return _Now(
        time_s=float(at[0]),
        room_c=t,
        room_pa=p,
        u_room_pa=u_vapour_pressure(t, rh, *u, humidity_over=over),
        outdoor_pa=p_out,
        u_outdoor_pa=u_vapour_pressure(t_out, rh_out, *u_out, humidity_over=over_out),
        water=Quantity(value=water, u=u_water, unit="g/h"),
        outdoor_u_dew_k=float(
            u_dew_or_frost_point(t_out, max(rh_out, AIR.min_dew_rh_pct), *u_out, humidity_over=over_out)
        ),
    )


def ventilation(
    job: JobFile,
    room: Location,
    airs: dict[str, Present | None],
    surfaces: dict[str, SurfaceRisk],
    day: VentilationDay,
    options: AnalysisOptions,
) -> Ventilation | None:
    """Advice for one room as of now; None where the job has no outdoor air.

    Parameters
    ----------
    airs : the newest readings at each location.
    surfaces : the cold surfaces that are known, by location.
    day : the last day, from complete hours.
    """
    location = job.outdoor()
    if location is None:
        return None
    inside, outdoor = airs.get(room.id), airs.get(location.id)
    pressure = float(standard_pressure(job.elevation_m))
    now = _now(inside, outdoor, pressure, options) if inside is not None and outdoor is not None else None
    condenses = _condenses(job, room, surfaces, now) if now is not None else (None, None)
    balance = _balance(job, room, airs, now) if now is not None else None
    found = measures(balance, options) if balance is not None else ()
    difference: Quantity | None = None
    effect = VentilationEffect.UNKNOWN
    if now is not None:
        u = float(combine(now.u_room_pa, now.u_outdoor_pa))
        difference = Quantity(value=now.room_pa - now.outdoor_pa, u=u, unit="Pa")
        effect = _effect(difference, options)
    return Ventilation(
        room=room.id,
        outdoor=location.id,
        at=utc(now.time_s) if now is not None else None,
        effect=effect,
        difference=difference,
        water=now.water if now is not None else None,
        air_changes_per_h=options.airing_changes_per_h,
        volume=Quantity(value=options.airing_volume_m3, unit="m³"),
        day_difference=day.difference,
        day_share=day.share,
        day_water=day.water,
        condenses_on=condenses[0],
        condenses_probability=condenses[1],
        measures=found,
        dries=balance.dries if balance is not None else None,
        as_good=as_good_as_first(found, options.coverage) if found else (),
        helps=bool(found) and clearly_helps(found[0], options.coverage),
    )


def _effect(difference: Quantity, options: AnalysisOptions) -> VentilationEffect:
    if abs(difference.value) <= options.coverage * (difference.u or 0.0):
        return VentilationEffect.NO_CLEAR_DIFFERENCE
    return VentilationEffect.DRIES if difference.value > 0 else VentilationEffect.WETS


def _condenses(
    job: JobFile, room: Location, surfaces: dict[str, SurfaceRisk], now: _Now
) -> tuple[str | None, float | None]:
    """The surface of this room on which the outdoor air itself would condense, and the highest probability of that."""
    worst, highest = None, None
    for location in job.locations:
        risk = surfaces.get(location.id)
        in_room = location.id == room.id or job.room_of(location) == room
        if risk is None or not in_room or now.outdoor_pa <= AIR.min_outdoor_pa:
            continue
        surface = risk.surface_temperature
        margin = float(condensation_margin(surface.value, now.outdoor_pa))
        p = float(probability_of_condensation(margin, float(np.hypot(surface.u or 0.0, now.outdoor_u_dew_k))))
        if highest is None or p > highest:
            worst, highest = location.id, p
    return (worst if highest is not None and highest >= AIR.condenses_probability else None), highest


def _balance(job: JobFile, room: Location, airs: dict[str, Present | None], now: _Now) -> Balance:
    """What dries beside a room: its locations with a goal that are wetter than the air, else free water."""
    wet: list[tuple[float, float, float]] = []
    for location in job.locations:
        air = airs.get(location.id)
        if air is None or location.goal is None or location.kind in AIR_KINDS or job.room_of(location) != room:
            continue
        t, rh = float(air.series.temperature_c[-1]), float(air.series.relative_humidity_pct[-1])
        if not np.isfinite([t, rh]).all():
            continue
        u = u_vapour_pressure(t, rh, air.uncertainty.temperature_k, air.uncertainty.relative_humidity_pct)
        wet.append((vapour_pressure(t, rh, air.humidity_over.value), u, t))
    wet = [one for one in wet if one[0] > now.room_pa]
    if wet:
        element, u_element, element_c = (float(np.mean([one[k] for one in wet])) for k in range(3))
        dries = WetPlaces.MONITORED
    else:
        element, u_element, element_c = float(saturation_vapour_pressure(now.room_c)), 0.0, now.room_c
        dries = WetPlaces.ASSUMED
    return Balance(
        element, now.room_pa, now.outdoor_pa, u_element, now.u_room_pa, now.u_outdoor_pa, now.room_c, element_c, dries
    )
