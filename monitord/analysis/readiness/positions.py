"""What of a job bears on one position: its series, metric, clock, probe and flags, from complete hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from monitord.analysis.drying.metric import UNITS, Metric, build_metric
from monitord.analysis.hourly_results import HourlyResults, references_of
from monitord.analysis.readiness.parameters import READINESS
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import lagged, trailing_mean
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.equilibration import Settled, clock_start, settle
from monitord.analysis.slabs.parameters import SLABS
from monitord.analysis.slabs.temperature_effect import sleeve_humidity_slope
from monitord.model.assessments import Finding, Forecast, QualityFlag
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal, GoalMetric, JobFile, Location, LocationKind, Placement
from monitord.model.readiness.criteria import Criteria
from monitord.model.series import HOUR_S, Array


@dataclass(frozen=True)
class Position:
    """One position of a slab, or an element, as of a full hour."""

    location: Location
    series: HourlySeries
    metric: Metric | None
    """The value that is held against its limit, by hour; None: there is nothing to compute it from."""
    limit: float | None
    mean: Array
    """The value's mean over the rule's hours, (n,); NaN where too few of them are known."""
    clock_s: float | None
    """Sealed positions: when the clock started; None: not sealed, or not known when. [s]"""
    settled: Settled | None
    sealed: bool
    """Whether the position must come to equilibrium at all."""
    placement: Placement | None
    wet: Finding | None
    flags: tuple[QualityFlag, ...]
    forecast: Forecast | None

    @property
    def u(self) -> float:
        """Standard uncertainty of the value; infinite where there is none."""
        if self.metric is None:
            return float("inf")
        sealed_air = self.sealed and self.metric.unit == UNITS[GoalMetric.EQUILIBRIUM_RH]
        return max(self.metric.u, READINESS.min_sealed_u_pct) if sealed_air else self.metric.u

    def silent_since(self, hour_s: float) -> datetime | None:
        """When it was last seen, if that is too long ago."""
        known = np.flatnonzero(np.isfinite(self.series.relative_humidity_pct))
        if not len(known):
            return utc(self.placement.from_time.timestamp()) if self.placement is not None else utc(hour_s)
        last = float(self.series.hour_s[known[-1]]) + HOUR_S
        return utc(last) if hour_s - last > READINESS.silent_after_h * HOUR_S else None


def position_of(
    job: JobFile,
    hours: HourlyResults,
    location: Location,
    goal: Goal | None,
    criteria: Criteria,
    options: AnalysisOptions,
    forecast: Forecast | None,
) -> Position:
    """Everything of one location that the criteria look at; `goal` holds metric, limit and hours of the mean."""
    series, references = hours.all_series[location.id], references_of(hours, job, location)
    present = [p for p in job.placements_at(location.id) if p.from_time.timestamp() < hours.hour_s]
    placement = present[-1] if present else None
    sealed = location.kind is LocationKind.SLAB_SLEEVE or criteria.method.value == "surface_box"
    clock, settled = None, None
    sealed_at = location.sealed_at or location.installed_at
    if sealed and sealed_at is not None and placement is not None:
        clock = clock_start(series, max(sealed_at, placement.from_time).timestamp(), references.room)
        rule = criteria.equilibration
        asked = options if rule is None else options.model_copy(update={"sleeve_clock_h": rule.clock_h})
        settled = settle(series, clock, asked) if len(series) else None
    metric = None if goal is None else build_metric(series, references, goal, options)
    mean = np.full(len(series), np.nan)
    if metric is not None and goal is not None:
        mean = trailing_mean(metric.high, max(1, round(goal.window_h)), READINESS.min_mean_share)
    return Position(
        location=location,
        series=series,
        metric=metric,
        limit=None if goal is None else goal.limit,
        mean=mean,
        clock_s=clock,
        settled=settled,
        sealed=sealed,
        placement=placement,
        wet=hours.wet.get(location.id),
        flags=hours.flags[location.id],
        forecast=forecast,
    )


def changes_in_a_day(position: Position) -> Array:
    """By hour: change of the half-day mean in a day, cleaned of temperature; NaN where it is not known, (n,). [% RH]"""
    series, half = position.series, SLABS.half_day_h
    known = series.temperature_c[np.isfinite(series.temperature_c)]
    reference_c = float(known.mean()) if len(known) else 0.0
    level = series.relative_humidity_pct - sleeve_humidity_slope(series) * (series.temperature_c - reference_c)
    mean = trailing_mean(level, half, READINESS.min_mean_share)
    return np.asarray(mean - lagged(mean, 24))
