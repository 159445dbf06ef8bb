"""A slab with its positions by hand: hourly series of the room and of each sleeve, and the verdict on them."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
from analysis_series import START, START_S, track

from monitord.analysis.hourly_results import GoalResults, HourlyResults
from monitord.analysis.readiness.verdict import assess_readiness
from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.times import utc
from monitord.model.assessments import Finding, QualityFlag
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind, Truth
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readiness.verdict import Criterion, Outcome, PositionValue, Readiness
from monitord.model.series import HOUR_S, Array

OPTIONS = AnalysisOptions()
SERVICE = {"temperature_min_c": 18, "temperature_max_c": 24, "humidity_min_pct": 35, "humidity_max_pct": 60}
DAYS = 14.0


def document(**slab: Any) -> dict[str, Any]:
    """A job with a room and a slab of 38 m² with three sleeves at 40 of 100 mm, sealed at the start."""
    sleeves = [
        {
            "id": f"s{n}",
            "kind": "slab_sleeve",
            "depth_mm": 40.0,
            "slab_thickness_mm": 100.0,
            "drying_sides": 1,
            "installed_at": START.isoformat(),
            "sealed_at": START.isoformat(),
            "reference": "room",
        }
        for n in (1, 2, 3)
    ]
    checked = (START - timedelta(days=10)).isoformat()
    probes = [
        {"id": f"p-{i}", "location_id": i, "from": START.isoformat(), "calibrated_at": checked}
        for i in ("room", "s1", "s2", "s3")
    ]
    given = {
        "id": "slab",
        "locations": ["s1", "s2", "s3"],
        "criteria": "in-situ-rh-72h",
        "area_m2": 38.0,
        "covering": {"limit_pct": 80.0, "limit_source": "data sheet"},
        "service": SERVICE,
    }
    return {
        "job": "house",
        "start": START.isoformat(),
        "locations": [{"id": "room", "kind": "room_air"}, *sleeves],
        "probes": probes,
        "slabs": [given | slab],
    }


class Case:
    """A slab whose readings can be changed before it is judged."""

    def __init__(self, days: float = DAYS, **slab: Any) -> None:
        self.document = document(**slab)
        self.days = days
        self.humidity: dict[str, Array | float] = {"room": 45.0, "s1": 74.0, "s2": 74.0, "s3": 74.0}
        self.temperature: dict[str, Array | float] = dict.fromkeys(self.humidity, 20.0)
        self.wet: dict[str, float | None] = dict.fromkeys(("s1", "s2", "s3"), 0.0)
        self.flags: dict[str, tuple[QualityFlag, ...]] = {}
        self.u = 1.0

    def sleeve(self, name: str) -> dict[str, Any]:
        """The location's entry in the job."""
        return next(where for where in self.document["locations"] if where["id"] == name)

    def probe(self, name: str) -> dict[str, Any]:
        """The entry of the probe at a location."""
        return next(entry for entry in self.document["probes"] if entry["location_id"] == name)

    def hours(self) -> Array:
        """Hours since the start."""
        return np.arange(round(24 * self.days), dtype=float)

    def evaluate(self, element: str = "slab") -> Readiness:
        """The verdict on the slab, or on another element."""
        job = JobFile.model_validate(self.document)
        hour_s = START_S + HOUR_S * round(24 * self.days)
        view = HourlyResults(hour_s)
        for where in job.locations:
            accuracy = Uncertainty(0.15, self.u)
            view.all_series[where.id] = track(
                where, self.temperature[where.id], self.humidity[where.id], self.days, accuracy
            )
            view.flags[where.id] = self.flags.get(where.id, ())
        for where_id, value in self.wet.items():
            view.wet[where_id] = Finding(
                kind=FindingKind.REWETTING,
                location=where_id,
                measured_at=utc(hour_s),
                truth=Truth.of(None if value is None else value > 0.0),
            )
        found = assess_readiness(job, view, _no_goals(job), built_in(), OPTIONS)
        return next(readiness for readiness in found if readiness.element == element)

    def value(self, criterion: Criterion, name: str | None = None) -> PositionValue:
        """What decides a criterion, or what one position gives to it."""
        found = next(r for r in self.evaluate().results if r.criterion is criterion)
        return found.decisive if name is None else next(v for v in found.positions if v.location == name)

    def outcome(self, criterion: Criterion) -> Outcome:
        """Of one criterion."""
        return next(r.outcome for r in self.evaluate().results if r.criterion is criterion)


def _no_goals(job: JobFile) -> dict[str, GoalResults]:
    return {where.id: GoalResults() for where in job.locations}
