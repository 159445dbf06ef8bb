"""The hours behind the last assessment of a job, kept for the charts of what is estimated hour by hour."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Connection

from monitord.analysis.estimate_series import EstimateSeries, Excess, estimate_series
from monitord.analysis.hourly_results import HourlyResults, compute_hourly_results
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location
from monitord.model.series import HOUR_S, Array
from monitord.store.db.times import to_ms
from monitord.store.series.records import counted_before, load_job_record
from monitord.web.charts.series import Measure
from monitord.web.queries import JobState

_MAX_JOBS = 8
"""Jobs whose hours are kept at once: what some people have open."""


@dataclass(frozen=True, eq=False)
class Hours:
    """Hours as of an assessment, and what they were computed from; each is equal to itself alone."""

    job: JobFile
    as_of: datetime
    counted: tuple[tuple[int, int], ...] | None
    """Of each probe: its readings before the last full hour, and when the last of them came [ms]; None: some hour has
    not been rolled up yet, so that it is not known."""
    results: HourlyResults

    def hold(self, job: JobFile, as_of: datetime, counted: tuple[tuple[int, int], ...] | None) -> bool:
        """Whether they are also those of a later assessment: all that was counted had come, and no more has since."""
        if self.job != job or counted is None or counted != self.counted:
            return False
        same_hour = self.as_of.timestamp() // HOUR_S == as_of.timestamp() // HOUR_S
        return same_hour and self.as_of <= as_of and all(came <= to_ms(self.as_of) for _, came in counted)


class HoursKept:
    """Hours as of each job's last assessment: computed once, whoever asks and however often, until an hour is over or
    a late reading has come."""

    def __init__(self, options: AnalysisOptions) -> None:
        self._options = options
        self._kept: dict[str, tuple[datetime, Hours]] = {}
        """Of each job its hours, and the latest time of assessment for which they hold."""

    def estimates(self, conn: Connection, state: JobState, location: Location) -> EstimateSeries | None:
        """What is estimated of a location; None where nothing is, or there is nothing to estimate it from."""
        hours = self.hours(conn, state)
        return None if hours is None else estimate_series(state.job, hours.results, location, self._options)

    def hours(self, conn: Connection, state: JobState) -> Hours | None:
        """The hours of a job; None where there is nothing to compute them from."""
        if state.assessment is None or state.archived is not None:
            return None
        job, as_of = state.job, state.assessment.as_of
        known_as_of, kept = self._kept.get(job.job, (as_of, None))
        if kept is not None and kept.job == job and known_as_of == as_of:
            return kept
        hour_s = as_of.timestamp() // HOUR_S * HOUR_S
        counted = counted_before(conn, [placement.probe for placement in job.probes], hour_s)
        if kept is None or not kept.hold(job, as_of, counted):
            record = load_job_record(conn, job, as_of)
            kept = Hours(job, as_of, counted, compute_hourly_results(job, record, hour_s, self._options))
        self._kept.pop(job.job, None)
        self._kept[job.job] = as_of, kept
        for old in list(self._kept)[:-_MAX_JOBS]:
            self._kept.pop(old, None)
        return kept


def hourly(estimates: EstimateSeries | None, measure: Measure) -> tuple[Array, Array, Array]:
    """Times [s], values and standard uncertainties of a measure that is estimated by hours, each (n,).

    NaN in hours in which the location was not measured: what is held there is no news. Empty where it is not estimated.
    """
    none = np.empty(0)
    if estimates is None:
        return none, none, none
    found = _values(estimates, measure)
    if found is None:
        return none, none, none
    known = estimates.known > 0.0
    value, u = (np.where(known, part, np.nan) for part in found)
    return estimates.end_s, value, u


def _values(estimates: EstimateSeries, measure: Measure) -> tuple[Array, Array] | None:
    nothing = np.full(len(estimates.end_s), np.nan)
    mould, wood = estimates.mould, estimates.wood
    match measure:
        case Measure.OVER_ROOM:
            return _excess(estimates.over_room)
        case Measure.OVER_OUTDOORS:
            return _excess(estimates.over_outdoors)
        case Measure.MOULD_INDEX if mould is not None:
            return mould.index, nothing
        case Measure.MOULD_INDEX_LOW if mould is not None:
            return mould.low, nothing
        case Measure.MOULD_INDEX_HIGH if mould is not None:
            return mould.high, nothing
        case Measure.TIMBER_MOISTURE if wood is not None:
            return wood.value, wood.u
        case Measure.TIMBER_EQUILIBRIUM if wood is not None:
            return wood.equilibrium, nothing
        case Measure.TIMBER_IF_SOAKED if wood is not None:
            measured = estimates.end_s > (wood.spots[0].time_s if wood.spots else np.inf)
            return np.where(measured | (wood.high - wood.value < _APART_PCT), np.nan, wood.high), nothing
    return None


_APART_PCT = 0.5
"""Nearer than this, timber that was soaked at the start is as good as the estimate. [% of dry mass]"""


def _excess(found: Excess | None) -> tuple[Array, Array] | None:
    return None if found is None else (found.value_pa, found.u_pa)
