"""What a firm begins new jobs, locations and slabs with; each form shows it and may say otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from monitord.model.job_files.checks import RATIO_UP_TO
from monitord.model.jobs import Accuracy, Calibration, Goal, GoalMetric, JobFile, LocationKind, Placement, known_zone
from monitord.model.readiness.slabs import ServiceConditions
from monitord.model.readings import Identifier

GOAL_METRICS = {
    LocationKind.SLAB_SLEEVE: GoalMetric.EQUILIBRIUM_RH,
    LocationKind.CAVITY: GoalMetric.RH,
    LocationKind.SUBFLOOR_VOID: GoalMetric.RH,
    LocationKind.MATERIAL: GoalMetric.TIMBER_MOISTURE,
}
"""What the goal of a location is in where nothing else is chosen: by what a probe there reads (common practice)."""


class JobDefaults(BaseModel):
    """What is not given is None, and the program's own default then holds."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    timezone: Annotated[str, AfterValidator(known_zone)] | None = None
    """IANA time zone of a new job; none: that of the job begun last."""
    elevation_m: Annotated[float, Field(ge=-450, le=5000)] | None = None
    """Height of a new job above sea level. [m]"""
    calibration_valid_d: Annotated[float, Field(gt=0, le=3660)] | None = None
    """How long a probe's check is good for in a new job. [d]"""
    limits: dict[LocationKind, float] = {}
    """Goals of new locations by their kind, in the unit of its metric. [% RH, or % of dry mass]"""
    accuracy: Accuracy | None = None
    """Manufacturer's limits of a probe that stands nowhere yet."""
    interval_s: Annotated[float, Field(gt=0, le=86_400)] | None = None
    """How often such a probe reports. [s]"""
    criteria: Identifier | None = None
    """Criteria of a new slab."""
    guard_factor: Annotated[float, Field(ge=0, le=3)] | None = None
    """Guard band of a new slab, in standard uncertainties. [-]"""
    service: ServiceConditions | None = None
    """How the room of a new slab will be used."""

    @model_validator(mode="after")
    def _per_cent(self) -> Self:
        for kind, limit in self.limits.items():
            if kind not in GOAL_METRICS:
                raise ValueError(f"a goal of {kind.value} locations has no default")
            if not RATIO_UP_TO < limit <= (300.0 if kind is LocationKind.MATERIAL else 100.0):
                raise ValueError(f"{limit:g} is no limit in per cent for {kind.value} locations")
        return self

    def goal(self, kind: LocationKind) -> Goal | None:
        """The goal that a new location of a kind begins with, if one does."""
        return Goal(metric=GOAL_METRICS[kind], limit=self.limits[kind]) if kind in self.limits else None

    def placement(self, placement: Placement, known: Placement | None) -> Placement:
        """A new placement with what is known of its probe from an earlier one, else with these defaults."""
        if known is not None:
            names = ("accuracy", "interval_s", "humidity_over", "calibrated_at")
            return placement.model_copy(update={name: getattr(known, name) for name in names})
        given = {"accuracy": self.accuracy, "interval_s": self.interval_s}
        return placement.model_copy(update={name: value for name, value in given.items() if value is not None})


def latest_placement(jobs: Iterable[JobFile], probe: str) -> Placement | None:
    """The placement of a probe that began last, of all jobs."""
    found = [placement for job in jobs for placement in job.probes if placement.probe == probe]
    return max(found, key=lambda placement: placement.from_time, default=None)


def latest_calibration(jobs: Iterable[JobFile], probe: str) -> Calibration | None:
    """The correction of a probe that was found last, of all jobs: it goes with the probe."""
    found = [calibration for job in jobs for calibration in job.calibrations if calibration.probe == probe]
    return max(found, key=lambda calibration: calibration.at, default=None)
