"""A job's latest assessment as it is published: what each location is doing, in numbers. Pure."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from monitord.model.assessments import Drying, Forecast, JobAssessment, LocationAssessment, SurfaceRisk
from monitord.model.quantity import Quantity

FORMAT = 1


def assessment_payload(assessment: JobAssessment) -> dict[str, Any]:
    """What is published about a job's assessment; `mqtt_state.schema.json` describes it."""
    return {
        "format": FORMAT,
        "job": assessment.job,
        "as_of": stamp(assessment.as_of),
        "last_reading_at": stamp(assessment.last_reading_at),
        "locations": [_location(found) for found in assessment.locations],
    }


def stamp(moment: datetime | None) -> str | None:
    """A time as all payloads have it: UTC, whole seconds."""
    return None if moment is None else moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _location(found: LocationAssessment) -> dict[str, Any]:
    over = {comparison.role: comparison.vapour_pressure_difference for comparison in found.comparisons}
    return {
        "location": found.location,
        "probe": found.probe,
        "state": found.state.value,
        "last_reading_at": stamp(found.last_reading_at),
        "temperature": _quantity(found.temperature),
        "relative_humidity": _quantity(found.relative_humidity),
        "vapour_pressure": _quantity(found.vapour_pressure),
        "dew_point": _quantity(found.dew_point),
        "over_room": _quantity(over.get("room")),
        "over_outdoors": _quantity(over.get("outdoors")),
        "surface": _surface(found.surface),
        "drying": _drying(found.drying),
        "goal_date": _dates(found.forecast),
    }


def _quantity(found: Quantity | None) -> dict[str, Any] | None:
    return None if found is None else {"value": found.value, "unit": found.unit, "u": found.u}


def _surface(found: SurfaceRisk | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"margin": _quantity(found.margin), "condensation_probability": found.probability}


def _drying(found: Drying | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "metric": found.metric,
        "unit": found.unit,
        "limit": found.limit,
        "value": _quantity(found.value),
        "rate_per_day": _quantity(found.rate_per_day),
    }


def _dates(found: Forecast | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "low": stamp(found.low),
        "middle": stamp(found.middle),
        "high": stamp(found.high),
        "never": found.never,
    }
