"""Small synthetic series for the tests of the analysis: places, readings as a probe sends them, tracks by hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.series import HOUR_S, Array, Hourly, PlacementRecord, Series, roll_up_by
from monitord.physics.moist_air import saturation_vapour_pressure, vapour_pressure

START = datetime(2025, 1, 10, tzinfo=UTC)
START_S = START.timestamp()
STEP_S = 600.0
GOOD = Uncertainty(0.15, 0.6)

ROOM, OUTDOOR, CAVITY = LocationKind.ROOM_AIR, LocationKind.OUTDOOR_AIR, LocationKind.CAVITY
VOID, SLEEVE, SURFACE = LocationKind.SUBFLOOR_VOID, LocationKind.SLAB_SLEEVE, LocationKind.SURFACE


def roll_up(series: Series) -> Hourly:
    """Readings by hour, as the store keeps them."""
    return roll_up_by(np.floor(series.time_s / HOUR_S) * HOUR_S, series)


def location(kind: LocationKind, **keys: Any) -> Location:
    """A location named after its kind."""
    sleeve = {"depth_mm": 40.0, "slab_thickness_mm": 100.0, "drying_sides": 1} if kind is SLEEVE else {}
    return Location.model_validate({"id": kind.value, "kind": kind} | sleeve | keys, strict=False)


def house(*locations: Location) -> JobFile:
    """A job of those places, a probe named after each since the start."""
    placements = [{"id": f"p-{where.id}", "location_id": where.id, "from": START} for where in locations]
    return JobFile.model_validate(
        {"job": "house", "start": START, "locations": [p.model_dump() for p in locations], "probes": placements}
    )


def daily(hours: Array, peak_h: float = 15.0) -> Array:
    """A daily cycle between -1 and 1."""
    return np.asarray(np.cos(2 * np.pi * (hours - peak_h) / 24.0))


# -- by hour -------------------------------------------------------------------------------------------------------


def hours(days: float) -> Array:
    """Hours since the start, one for each hour of so many days."""
    return np.arange(round(24 * days), dtype=float)


def track(
    where: Location, temperature_c: Array | float, rh: Array | float, days: float, uncertainty: Uncertainty = GOOD
) -> HourlySeries:
    """A location by hour."""
    n = round(24 * days)
    t, humidity = (np.broadcast_to(np.asarray(x, dtype=float), n).copy() for x in (temperature_c, rh))
    vp = np.full(n, np.nan)
    known = np.isfinite(t) & np.isfinite(humidity)
    vp[known] = vapour_pressure(t[known], np.clip(humidity[known], 0.0, 105.0))
    return HourlySeries(
        where, START_S + HOUR_S * np.arange(n), t, humidity, vp, np.full(n, np.nan), uncertainty, f"p-{where.id}"
    )


def track_at(where: Location, temperature_c: Array | float, vp: Array | float, days: float) -> HourlySeries:
    """A location by hour, from its vapour pressure. [Pa]"""
    n = round(24 * days)
    t, pressure = (np.broadcast_to(np.asarray(x, dtype=float), n) for x in (temperature_c, vp))
    return track(where, t, 100.0 * pressure / saturation_vapour_pressure(t, "water"), days)


def until(known: HourlySeries, hour: int) -> HourlySeries:
    """What was known of a track after so many hours."""
    cut = ("hour_s", "temperature_c", "relative_humidity_pct", "vapour_pressure_pa", "surface_temperature_c")
    return replace(known, **{name: getattr(known, name)[:hour] for name in cut})


def references_until(references: ReferenceSeries, hour: int) -> ReferenceSeries:
    """The airs as they were known after so many hours."""
    return ReferenceSeries(
        *(None if t is None else until(t, hour) for t in (references.air, references.room, references.outdoor))
    )


def blanked(known: HourlySeries, first: int, last: int | None = None) -> HourlySeries:
    """The same track with nothing heard from one hour to another."""
    gone = slice(first, last)
    changed = {}
    for name in ("temperature_c", "relative_humidity_pct", "vapour_pressure_pa"):
        changed[name] = getattr(known, name).copy()
        changed[name][gone] = np.nan
    return replace(known, **changed)


# -- as a probe sends them -----------------------------------------------------------------------------------------


def times(days: float, step_s: float = STEP_S) -> Array:
    """Seconds since the start of each reading."""
    return np.arange(0.0, days * 86_400.0, step_s)


def readings(time_s: Array, temperature_c: Array | float, rh: Array | float, received_s: Array | None = None) -> Series:
    """Readings at seconds since the start, received four seconds later unless said otherwise."""
    n = len(time_s)
    t, humidity = (np.broadcast_to(np.asarray(x, dtype=float), n).copy() for x in (temperature_c, rh))
    arrived = time_s + 4.0 if received_s is None else received_s
    return Series(START_S + time_s, t, humidity, np.full(n, np.nan), np.full(n, 3.0), START_S + arrived)


def placement(where: Location, series: Series, interval_s: float = STEP_S, recent_h: float = 72.0) -> PlacementRecord:
    """What is known of a stay once all of its readings have come; the last hour may be under way."""
    placement = Placement.model_validate(
        {"id": f"p-{where.id}", "location_id": where.id, "from": START, "interval_s": interval_s}
    )
    newest = float(series.received_s.max())
    kept = series.time_s >= newest - recent_h * HOUR_S
    recent = Series(*(getattr(series, name)[kept] for name in Series.__dataclass_fields__))
    heard = float(np.minimum(series.time_s, series.received_s).max())
    return PlacementRecord(placement, recent, roll_up(series), heard)


def end_of(series: Series) -> float:
    """The full hour after the last arrival. [s]"""
    return float(np.ceil(series.received_s.max() / HOUR_S) * HOUR_S)


def noise(n: int, sd: float, seed: int = 1) -> Array:
    """White noise that is the same each time."""
    return np.asarray(np.random.default_rng(seed).normal(0.0, sd, n))


def in_steps(value: Array, step: float) -> Array:
    """As a probe with steps of that size reports it."""
    return np.asarray(np.round(value / step) * step)


def at_day(day: float) -> datetime:
    """A time so many days after the start."""
    return START + timedelta(days=day)


def kinds(spans: Sequence[Any]) -> set[str]:
    """Kinds of flags or spans."""
    return {span.kind for span in spans}
