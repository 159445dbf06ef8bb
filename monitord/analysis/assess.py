"""From everything known of a job to its assessment, as of one time. Pure: the same input, the same verdict."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from monitord.analysis.comparison import Present, airs_of, compare, present, utc
from monitord.analysis.elements import HourView, view_hours
from monitord.analysis.quality import recent_out
from monitord.analysis.silence import silent_probe
from monitord.analysis.surface_risk import surface_risk
from monitord.analysis.track import stay_key
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import (
    Comparison,
    Finding,
    JobAssessment,
    LocationAssessment,
    Quantity,
    State,
    SurfaceRisk,
)
from monitord.model.jobs import JobFile, Location
from monitord.model.series import HOUR_S, JobRecord
from monitord.physics.moist_air import dew_or_frost_point, humidity_ratio, standard_pressure, vapour_pressure
from monitord.physics.uncertainty import u_dew_point, u_humidity_ratio, u_vapour_pressure

DEFAULTS = AnalysisOptions()

_Key = tuple[float, float, int]


class Memo:
    """Saves work between assessments of one job: what rests on complete hours is computed once for them.

    With or without it the result is the same: the key tells whether anything that the hours rest on has changed.
    """

    def __init__(self) -> None:
        self._key: _Key | None = None
        self._view: HourView | None = None

    def view(self, job: JobFile, record: JobRecord, hour_s: float, options: AnalysisOptions) -> HourView:
        """The view of the hours before `hour_s`, computed again only if it would come out differently."""
        total = sum(float(stay.hourly.count[stay.hourly.hour_s < hour_s].sum()) for stay in record.stays)
        ahead = sum(int(np.sum(stay.recent.time_s >= hour_s + HOUR_S)) for stay in record.stays)
        key = (hour_s, total, ahead)
        if self._view is None or key != self._key:
            self._view, self._key = view_hours(job, record, hour_s, options), key
        return self._view


def assess_job(
    job: JobFile,
    record: JobRecord,
    as_of: datetime,
    options: AnalysisOptions = DEFAULTS,
    memo: Memo | None = None,
) -> JobAssessment:
    """Assess every location of a job as of a time.

    Depends only on the first four arguments: readings in any order of arrival, repeated or not, give the same
    assessment; `memo` only saves work between calls for one job with the same options.
    """
    as_of_s = as_of.timestamp()
    hour_s = as_of_s // HOUR_S * HOUR_S
    hours = (memo or Memo()).view(job, record, hour_s, options)
    airs = {place.id: _present(job, place, record, hours, as_of_s, options) for place in job.locations}
    findings = list(hours.findings)
    locations = []
    for place in job.locations:
        locations.append(_location(job, place, airs, hours, as_of_s, options, findings))
        for stay in record.at(place.id):
            silent = silent_probe(stay, place, as_of_s, options)
            if silent is not None:
                findings.append(silent)
    times = [air.time_s for air in airs.values() if air is not None]
    return JobAssessment(
        job=job.job,
        as_of=as_of,
        last_reading_at=utc(max(times)) if times else None,
        locations=tuple(locations),
        findings=tuple(findings),
    )


def _present(
    job: JobFile, place: Location, record: JobRecord, hours: HourView, as_of_s: float, options: AnalysisOptions
) -> Present | None:
    stays = record.at(place.id)
    excluded = {stay_key(s): recent_out(hours.qualities.get(stay_key(s)), s.recent) for s in stays}
    return present(place, stays, job.calibrations, excluded, as_of_s, options)


def _location(
    job: JobFile,
    place: Location,
    airs: dict[str, Present | None],
    hours: HourView,
    as_of_s: float,
    options: AnalysisOptions,
    findings: list[Finding],
) -> LocationAssessment:
    here, element = airs[place.id], hours.elements[place.id]
    if here is None:
        return LocationAssessment(
            location=place.id,
            probe=None,
            state=State.UNKNOWN,
            words="Nothing usable has been heard in the last days.",
            last_reading_at=None,
            flags=element.flags,
        )
    pressure = float(standard_pressure(job.elevation_m))
    comparisons: list[Comparison] = []
    for role, air in airs_of(job, place):
        other = airs[air.id]
        if other is not None:
            comparisons.append(compare(here, other, role, pressure, options))
    room, outdoor = job.room_of(place) or place, job.outdoor()
    risk: SurfaceRisk | None = None
    assessed = surface_risk(here, airs[room.id], airs[outdoor.id] if outdoor else None, options)
    if assessed is not None:
        risk, finding = assessed
        findings.append(finding)
    age = as_of_s - here.time_s
    stale = age > options.stale_after_intervals * max(options.silent_interval_floor_s, here.interval_s)
    return LocationAssessment(
        location=place.id,
        probe=here.probe,
        state=State.UNKNOWN if stale else element.state,
        words=f"Silent for {age / 3600.0:.1f} h." if stale else element.words,
        last_reading_at=utc(here.time_s),
        comparisons=tuple(comparisons),
        surface=risk,
        equilibrium=element.equilibrium,
        drying=element.drying,
        forecast=element.forecast,
        flags=element.flags,
        **_air_values(here, pressure),
    )


def _air_values(here: Present, pressure_pa: float) -> dict[str, Quantity]:
    """Present values of the air at a location with their standard uncertainties."""
    t, rh = float(here.series.temperature_c[-1]), float(here.series.relative_humidity_pct[-1])
    u_t, u_rh = here.doubt.temperature_k, here.doubt.relative_humidity_pct
    vp = float(vapour_pressure(t, rh, humidity_over=here.humidity_over.value))
    values = {
        "temperature": Quantity(value=t, u=u_t, unit="°C"),
        "relative_humidity": Quantity(value=rh, u=u_rh, unit="%"),
        "vapour_pressure": Quantity(value=vp, u=float(u_vapour_pressure(t, rh, u_t, u_rh)), unit="Pa"),
    }
    if vp > 0.0:
        values["dew_point"] = Quantity(
            value=float(dew_or_frost_point(vp)), u=float(u_dew_point(t, rh, u_t, u_rh)), unit="°C"
        )
        w, u_w = humidity_ratio(vp, pressure_pa), u_humidity_ratio(t, rh, u_t, u_rh, pressure_pa)
        values["humidity_ratio"] = Quantity(value=1000.0 * float(w), u=1000.0 * float(u_w), unit="g/kg")
    return values
