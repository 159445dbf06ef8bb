"""Readings and assessments as points; their names, units and tags are those of `FIELDS.md`. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from monitord.model.assessments import Comparison, JobAssessment, LocationAssessment
from monitord.model.jobs import JobFile
from monitord.model.quantity import Quantity
from monitord.physics.moist_air import dew_point, vapour_pressure
from monitord.store.db.statements import Row

READING, LOCATION, SELF = "monitord_reading", "monitord_location", "monitord_mirror"

SLOT_MS = 600_000
"""An assessment is told once for each ten minutes, the last of them: our choice. [ms]"""

_COLDEST_C, _HOTTEST_C, _DRIEST_PCT, _DAMPEST_PCT = -50.0, 100.0, 0.1, 105.0
"""Between these moist air is computed; beyond them a probe is faulty, and a dew point means nothing."""

_FIELDS = (
    "temperature_c",
    "relative_humidity_pct",
    "surface_temperature_c",
    "battery_v",
    "battery_pct",
    "pressure_hpa",
    "rssi_dbm",
)


def reading_lines(rows: Sequence[Row]) -> list[str]:
    """A line for each reading, given as probe, stamp [ms], and the values of `_FIELDS`.

    Dew point and vapour pressure are those of the reading as it came, over water (WMO-No. 8), without calibration.
    """
    if not rows:
        return []
    temperature = np.array([row[2] for row in rows], dtype=np.float64)
    humidity = np.array([row[3] for row in rows], dtype=np.float64)
    sound = (temperature >= _COLDEST_C) & (temperature <= _HOTTEST_C)
    sound &= (humidity >= _DRIEST_PCT) & (humidity <= _DAMPEST_PCT)
    pressure = vapour_pressure(np.where(sound, temperature, np.nan), np.where(sound, humidity, np.nan))
    dew = dew_point(pressure)
    lines = []
    for row, pa, celsius in zip(rows, pressure.tolist(), dew.tolist(), strict=True):
        point = Point(READING).tag("probe", row[0]).time(row[1], WritePrecision.MS)
        for name, value in zip(_FIELDS, row[2:], strict=True):
            if value is not None:
                point.field(name, float(value))
        if not math.isnan(pa):
            point.field("vapour_pressure_pa", pa).field("dew_point_c", celsius)
        lines.append(point.to_line_protocol())
    return lines


def slot_of(as_of_ms: int) -> int:
    """Start of the ten minutes that an assessment belongs to. [ms]"""
    return as_of_ms - as_of_ms % SLOT_MS


def assessment_lines(job: JobFile, assessment: JobAssessment, slot_ms: int) -> list[str]:
    """A line for each location of an assessment, stamped with the start of its slot."""
    kinds = {location.id: location.kind.value for location in job.locations}
    lines = []
    for found in assessment.locations:
        point = Point(LOCATION).tag("job", job.job).tag("location", found.location)
        point.tag("kind", kinds.get(found.location)).time(slot_ms, WritePrecision.MS)
        for name, value in _location_fields(found):
            point.field(name, value)
        lines.append(point.to_line_protocol())
    return lines


def self_line(at_ms: int) -> str:
    """A line that every server takes: what a uncertain refusal is held against."""
    return str(Point(SELF).field("up", 1).time(at_ms, WritePrecision.MS).to_line_protocol())


def _location_fields(found: LocationAssessment) -> Iterator[tuple[str, float | int | str | bool]]:
    yield "state", found.state.value
    if found.last_reading_at is not None:
        yield "last_reading_s", _seconds(found.last_reading_at)
    yield from _quantity("temperature_c", found.temperature)
    yield from _quantity("relative_humidity_pct", found.relative_humidity)
    yield from _quantity("vapour_pressure_pa", found.vapour_pressure)
    yield from _quantity("dew_point_c", found.dew_point)
    yield from _quantity("humidity_ratio_g_kg", found.humidity_ratio)
    for comparison in found.comparisons:
        yield from _difference(comparison)
    if found.surface is not None:
        yield from _quantity("surface_temperature_c", found.surface.surface_temperature)
        yield from _quantity("margin_k", found.surface.margin)
        yield "condensation_probability", found.surface.probability
    if found.drying is not None:
        yield "drying_metric", found.drying.metric
        yield "drying_limit", found.drying.limit
        yield from _quantity("drying_value", found.drying.value)
        yield from _quantity("drying_rate_per_day", found.drying.rate_per_day)
    if found.forecast is not None:
        for end, date in (
            ("low", found.forecast.low),
            ("middle", found.forecast.middle),
            ("high", found.forecast.high),
        ):
            if date is not None:
                yield f"goal_{end}_s", _seconds(date)
        yield "goal_never", found.forecast.never


def _difference(comparison: Comparison) -> Iterator[tuple[str, float]]:
    """Of the room and the outdoor air alone: other airs and other depths differ from job to job."""
    if comparison.role in ("room", "outdoors"):
        over = "room" if comparison.role == "room" else "outdoor"
        yield from _quantity(f"vapour_pressure_over_{over}_pa", comparison.vapour_pressure_difference)
        yield from _quantity(f"humidity_ratio_over_{over}_g_kg", comparison.humidity_ratio_difference)


def _quantity(name: str, found: Quantity | None) -> Iterator[tuple[str, float]]:
    if found is not None and np.isfinite(found.value):
        yield name, float(found.value)
        if found.u is not None and np.isfinite(found.u):
            yield f"{name}_u", float(found.u)


def _seconds(time: datetime) -> int:
    return int(time.timestamp())
