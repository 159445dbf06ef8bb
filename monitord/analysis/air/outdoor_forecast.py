"""What a forecast of the outdoor air changes in the coming margin of a cold surface.

The margin is continued by its daily cycle, which takes for granted that the weather goes on as it was. Where a
forecast of the outdoor air says otherwise, the surface follows it by its temperature factor and the dew point by the
share of outdoor vapour that this location has followed over the last days. The same is done to past forecasts with
the outdoor air that came, so that the spread shows what a perfect weather forecast would leave open; its own
uncertainty is added.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from monitord.analysis.air.parameters import AIR
from monitord.analysis.series.daily_cycle import continuations, outcomes, past_origins
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import lagged
from monitord.analysis.series.times import WEEK_H
from monitord.model.outdoor_forecast import OutdoorForecastDocument
from monitord.model.series import HOUR_S, Array
from monitord.physics.moist_air import (
    dew_or_frost_point,
    saturation_slope,
    saturation_vapour_pressure,
    vapour_pressure,
)


@dataclass(frozen=True)
class OutdoorForecast:
    """Outdoor air to come, at ascending times, each (n,)."""

    time_s: Array
    temperature_c: Array
    relative_humidity_pct: Array
    """Over water. [%]"""
    u_temperature_k: float = AIR.forecast_u_temperature_k
    """Standard uncertainty of the temperature a day ahead. [K]"""
    u_dew_point_k: float = AIR.forecast_u_dew_point_k
    """The same of the dew point. [K]"""

    def same(self, other: OutdoorForecast | None) -> bool:
        """Whether another one says the same."""
        return other is not None and all(
            np.array_equal(getattr(self, part.name), getattr(other, part.name)) for part in fields(self)
        )


def of_document(document: OutdoorForecastDocument) -> OutdoorForecast:
    """A forecast as it was kept, with dew points turned into relative humidity over water."""
    hours = document.hours
    t = np.array([hour.temperature_c for hour in hours])
    dew = np.array([hour.dew_point_c if hour.dew_point_c is not None else np.nan for hour in hours])
    stated = np.array([h.relative_humidity_pct if h.relative_humidity_pct is not None else np.nan for h in hours])
    by_dew = 100.0 * saturation_vapour_pressure(dew, "water") / saturation_vapour_pressure(t, "water")
    u_t, u_dew = document.u_temperature_k, document.u_dew_point_k
    return OutdoorForecast(
        np.array([hour.time.timestamp() for hour in hours]),
        t,
        np.where(np.isfinite(stated), stated, by_dew),
        OutdoorForecast.u_temperature_k if u_t is None else u_t,
        OutdoorForecast.u_dew_point_k if u_dew is None else u_dew,
    )


@dataclass(frozen=True)
class Change:
    """What is added to a forecast of the margin. [K]"""

    coming: Array
    """(hours,)"""
    past: Array
    """Had the outdoor air been known then, (origins, hours)."""
    u: float
    """From the weather forecast's own uncertainty."""


def change_by_outdoor_forecast(
    series: HourlySeries,
    outdoor: HourlySeries,
    factor: float | None,
    averaging_h: float,
    forecast: OutdoorForecast,
    hours: int,
    days: int,
) -> Change | None:
    """What a forecast of the outdoor air adds to the continued margin; None where it can't be told.

    Parameters
    ----------
    factor : temperature factor of the surface; None where it is not known.
    memory_h : over how many hours the surface follows the outdoor air.
    """
    n = len(series)
    ends = np.concatenate([past_origins(n), [float(n)]])
    usual_c = continuations(outdoor.temperature_c, ends, hours, days)
    usual_pa = continuations(outdoor.vapour_pressure_pa, ends, hours, days)
    stated_c, stated_pa = _hourly(forecast, series.end_s, hours)
    came_c = np.vstack([outcomes(outdoor.temperature_c, ends[:-1], hours), stated_c])
    came_pa = np.vstack([outcomes(outdoor.vapour_pressure_pa, ends[:-1], hours), stated_pa])
    known = series.vapour_pressure_pa[-24:]
    known = known[np.isfinite(known) & (known > 0)]
    if factor is None or not len(known) or not np.isfinite(usual_c[-1]).all():
        return None
    vapour = float(known.mean())
    share = _vapour_share(series, outdoor)
    per_pa = share / (vapour * float(saturation_slope(dew_or_frost_point(vapour))))
    warmer = (1.0 - factor) * _followed(np.nan_to_num(came_c - usual_c), averaging_h)
    wetter = per_pa * _followed(np.nan_to_num(came_pa - usual_pa), averaging_h)
    u = float(np.hypot((1.0 - factor) * forecast.u_temperature_k, share * forecast.u_dew_point_k))
    change = warmer - wetter
    # a weather forecast that is as unsure as the days differ anyway is worth half of what it says
    squares = np.mean(change * change, axis=1)
    differ = max(float(squares[:-1].mean()) if len(ends) > 1 else 0.0, AIR.forecast_min_variance_k2)
    if squares[-1] > AIR.forecast_beyond * (differ + u * u):  # a change beyond all that the last days had
        differ = float(squares[-1])
    worth = differ / (differ + u * u)
    change = worth * change
    return Change(change[-1], change[:-1], worth * u)


def _hourly(forecast: OutdoorForecast, from_s: float, hours: int) -> tuple[Array, Array]:
    """The forecast at the middle of each hour to come; NaN where it does not reach. [°C], [Pa]"""
    at = from_s + HOUR_S * (np.arange(hours) + 1 / 2)
    inside = (at >= forecast.time_s[0]) & (at <= forecast.time_s[-1]) if len(forecast.time_s) else at < 0
    if not inside.any():
        return np.full(hours, np.nan), np.full(hours, np.nan)
    t = np.interp(at, forecast.time_s, forecast.temperature_c)
    rh = np.interp(at, forecast.time_s, forecast.relative_humidity_pct)
    vapour = np.asarray(vapour_pressure(t, np.clip(rh, 0.0, 100.0)))
    return np.where(inside, t, np.nan), np.where(inside, vapour, np.nan)


def _followed(change: Array, averaging_h: float) -> Array:
    """How a body follows changes that begin now: means over its memory, along the last axis."""
    window = max(1, round(averaging_h))
    total = np.cumsum(change, axis=-1)
    before = np.zeros_like(total)
    before[..., window:] = total[..., :-window] if window < total.shape[-1] else 0.0
    return np.asarray((total - before) / window)


def _vapour_share(series: HourlySeries, outdoor: HourlySeries) -> float:
    """How much of a day-to-day change of the outdoor vapour pressure shows at a location, 0..1."""
    mine, theirs = (t.vapour_pressure_pa[-WEEK_H:] for t in (series, outdoor))
    a, b = mine - lagged(mine, 24), theirs - lagged(theirs, 24)
    both = np.isfinite(a) & np.isfinite(b)
    weight = float(np.sum(b[both] ** 2))
    if both.sum() < AIR.forecast_min_hours or weight == 0.0:
        return AIR.unknown_vapour_share
    return float(np.clip(np.sum(a[both] * b[both]) / weight, 0.0, 1.0))


def recent_factor(surface_c: Array, room: HourlySeries, outdoor: HourlySeries) -> float | None:
    """Temperature factor that a surface has shown over the last days; None where room and outdoors are too alike.

    Source
    ------
    EN ISO 13788:2012, f = (θsi - θe)/(θi - θe), by least squares over the hours.
    """
    inside, outside = room.temperature_c[-WEEK_H:], outdoor.temperature_c[-WEEK_H:]
    a, b = surface_c[-WEEK_H:] - outside, inside - outside
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() < AIR.forecast_min_hours or float(np.abs(b[both]).mean()) < AIR.forecast_min_difference_k:
        return None
    return float(np.clip(np.sum(a[both] * b[both]) / np.sum(b[both] ** 2), 0.0, 1.0))
