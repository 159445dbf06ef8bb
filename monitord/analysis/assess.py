"""From everything known of a job to its assessment, as of one time. Pure: the same input, the same verdict."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

import numpy as np

from monitord.analysis.air.comparison import Present, airs_of, compare, present
from monitord.analysis.air.outdoor_forecast import OutdoorForecast
from monitord.analysis.air.ventilation import VentilationDay, ventilation
from monitord.analysis.damage import DamageResults, assess_damage
from monitord.analysis.hourly_results import (
    GoalResults,
    HourlyResults,
    assess_goals,
    compute_hourly_results,
    source_at,
)
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.probes.battery import low_battery
from monitord.analysis.probes.quality import recent_out
from monitord.analysis.probes.silence import silent_probe
from monitord.analysis.readiness.verdict import assess_readiness
from monitord.analysis.series.hourly_series import placement_key
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.depth import depth_comparisons
from monitord.analysis.slabs.posterior.sleeve_runs import Budget, SleeveRuns
from monitord.analysis.surfaces.frost_and_heat import frost_and_heat
from monitord.analysis.surfaces.surface_of_readings import Place
from monitord.analysis.surfaces.surface_risk import surface_risks
from monitord.model.assessments import (
    Comparison,
    Facts,
    Finding,
    Forecast,
    JobAssessment,
    LocationAssessment,
    MoistureSource,
    Quantity,
    State,
    SurfaceRisk,
)
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import Ventilation
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.readiness.criteria_files import CriteriaBook, built_in
from monitord.model.readiness.verdict import Readiness
from monitord.model.series import JobRecord
from monitord.physics.moist_air import dew_or_frost_point, humidity_ratio, standard_pressure, vapour_pressure
from monitord.physics.uncertainty import u_dew_point, u_humidity_ratio, u_vapour_pressure

DEFAULTS = AnalysisOptions()

_Key = tuple[float, float, int]


class AssessmentCache:
    """Saves work between assessments of one job: what rests on complete hours is computed once for them.

    With or without it the result is the same: the key shows whether anything that the hours rest on has changed.
    """

    def __init__(self, sleeve_runs: SleeveRuns | None = None) -> None:
        """`sleeve_runs`: ensembles kept from before the job was changed; each tells itself whether it still holds."""
        self._hours: dict[float, tuple[_Key, HourlyResults]] = {}
        self._goals: dict[float, tuple[_Key, dict[str, GoalResults]]] = {}
        self._readiness: tuple[_Key, CriteriaBook, tuple[Readiness, ...]] | None = None
        self._damage: tuple[_Key, OutdoorForecast | None, DamageResults] | None = None
        self._keys: tuple[JobRecord, dict[float, _Key]] = (JobRecord(()), {})
        self.sleeve_runs = sleeve_runs or SleeveRuns()
        self.budget = Budget()
        """Work on the sleeves' ensembles that may be done; unbounded unless whoever holds the cache says otherwise."""
        self.pending = False
        """Whether the last assessment left sleeves out whose ensembles have not caught up."""

    def hours(self, job: JobFile, record: JobRecord, hour_s: float, options: AnalysisOptions) -> HourlyResults:
        """The view of what lies before `hour_s`."""
        key, known = self._key(record, hour_s), self._hours.get(hour_s)
        if known is None or known[0] != key:
            known = self._hours[hour_s] = key, compute_hourly_results(job, record, hour_s, options)
        return known[1]

    def goals(self, job: JobFile, record: JobRecord, hour_s: float, options: AnalysisOptions) -> dict[str, GoalResults]:
        """The view of goals from what lies before `hour_s`."""
        key, known = self._key(record, hour_s), self._goals.get(hour_s)
        if known is None or known[0] != key:
            hours = self.hours(job, record, hour_s, options)
            known = key, assess_goals(job, hours, options, self.sleeve_runs, self.budget)
            self.pending = any(element.pending for element in known[1].values())
            self._goals = {} if self.pending else {hour_s: known}
            self._readiness = None  # it rests on them
        return known[1]

    def readiness(
        self, job: JobFile, record: JobRecord, hour_s: float, options: AnalysisOptions, criteria: CriteriaBook
    ) -> tuple[Readiness, ...]:
        """The verdicts on slabs and elements from what lies before `hour_s`."""
        key, known = self._key(record, hour_s), self._readiness
        if known is None or known[0] != key or known[1] is not criteria:
            hours, goals = self.hours(job, record, hour_s, options), self.goals(job, record, hour_s, options)
            known = self._readiness = key, criteria, assess_readiness(job, hours, goals, criteria, options)
        return known[2]

    def damage(
        self,
        job: JobFile,
        record: JobRecord,
        hour_s: float,
        options: AnalysisOptions,
        outdoor_forecast: OutdoorForecast | None,
    ) -> DamageResults:
        """The view of mould, timber and the night ahead from what lies before `hour_s`."""
        key, known = self._key(record, hour_s), self._damage
        if known is None or known[0] != key or not _same(known[1], outdoor_forecast):
            view = assess_damage(
                job, self.hours(job, record, hour_s, options), options, outdoor_forecast=outdoor_forecast
            )
            known = self._damage = key, outdoor_forecast, view
        return known[2]

    def settle(self, hours_s: float, goals_s: float) -> None:
        """Keep what the next assessment asks for if nothing changes: the newest view of hours, and no record."""
        self._keys = (JobRecord(()), {})
        asked = {hours_s, goals_s} if self.pending else {hours_s}
        self._hours = {at: kept for at, kept in self._hours.items() if at in asked}

    @property
    def nbytes(self) -> int:
        """Bytes of the views of hours, which grow with the days; the rest is small, but for the ensembles."""
        return sum(view.nbytes for _, view in self._hours.values())

    def forget_hours(self) -> None:
        """Keep no view of hours; what was judged by them stays."""
        self._hours = {}

    def _key(self, record: JobRecord, hour_s: float) -> _Key:
        if self._keys[0] is not record:
            self._keys = (record, {})
        keys = self._keys[1]
        if hour_s not in keys:
            keys[hour_s] = _key(record, hour_s)
        return keys[hour_s]


def _last(every_s: float, as_of_s: float) -> float:
    """The newest time at which a rhythm's results are due. [s]"""
    return as_of_s // every_s * every_s


def _same(a: OutdoorForecast | None, b: OutdoorForecast | None) -> bool:
    return a is b or (a is not None and a.same(b))


def damage_hour(as_of: datetime) -> datetime:
    """The full hour that the view of damage as of a time ends at: nothing later bears on it."""
    return utc(as_of.timestamp() // ASSESSMENT.damage_every_s * ASSESSMENT.damage_every_s)


def _key(record: JobRecord, hour_s: float) -> _Key:
    """Changes whenever a reading lands before `hour_s`, or one that runs ahead of its arrival."""
    total, ahead = 0.0, 0
    for placement in record.placements:
        hourly, recent = placement.hourly, placement.recent
        total += float(hourly.count[: hourly.hour_s.searchsorted(hour_s)].sum())
        ahead += int(np.count_nonzero(recent.received_s[recent.time_s.searchsorted(hour_s) :] < hour_s))
    return hour_s, total, ahead


def assess_job(
    job: JobFile,
    record: JobRecord,
    as_of: datetime,
    options: AnalysisOptions = DEFAULTS,
    cache: AssessmentCache | None = None,
    *,
    compared: bool = True,
    outdoor_forecast: OutdoorForecast | None = None,
    criteria: CriteriaBook | None = None,
) -> JobAssessment:
    """Assess every location of a job as of a time.

    Depends only on the first four arguments and the forecast: readings in any order of arrival, repeated or not, give
    the same assessment; `cache` only saves work between calls for one job with the same options. `compared` False
    leaves out the comparisons with other airs and the advice on ventilation, on which no finding rests.
    `outdoor_forecast` is the outdoor air to come, where a forecast of it had arrived by `damage_hour`, for the night
    ahead. `criteria` are the rules for the readiness of slabs and elements; None: those of the program.
    """
    as_of_s = as_of.timestamp()
    cache = cache or AssessmentCache()
    goals_s = _last(ASSESSMENT.goals_every_s, as_of_s)
    goals = cache.goals(job, record, goals_s, options)
    hours_s = _last(ASSESSMENT.hourly_every_s, as_of_s)
    hours = cache.hours(job, record, hours_s, options)
    damage = cache.damage(job, record, _last(ASSESSMENT.damage_every_s, as_of_s), options, outdoor_forecast)
    airs = {location.id: _present(job, location, record, hours, as_of_s, options) for location in job.locations}
    known = _Known(job, airs, _surfaces(job, airs, options), goals, hours, damage, as_of_s, options, compared)
    findings = [*hours.findings, *(finding for element in goals.values() for finding in element.findings)]
    findings.extend(damage.findings)
    locations = []
    for location in job.locations:
        locations.append(_location(known, location, findings))
        for placement in record.at(location.id):
            about = (silent_probe(placement, location, as_of_s, options), low_battery(placement, location, as_of_s))
            findings.extend(finding for finding in about if finding is not None)
    times = [air.time_s for air in airs.values() if air is not None]
    readiness = cache.readiness(job, record, goals_s, options, built_in() if criteria is None else criteria)
    cache.settle(hours_s, goals_s)
    return JobAssessment(
        job=job.job,
        as_of=as_of,
        last_reading_at=utc(max(times)) if times else None,
        locations=tuple(locations),
        findings=tuple(findings),
        ventilation=_ventilation(known, locations) if compared else (),
        readiness=readiness,
    )


@dataclass(frozen=True)
class _Known:
    """What the assessment of one location may look at."""

    job: JobFile
    airs: dict[str, Present | None]
    surfaces: dict[str, tuple[SurfaceRisk, Finding] | None]
    goals: dict[str, GoalResults]
    hours: HourlyResults
    damage: DamageResults
    as_of_s: float
    options: AnalysisOptions
    compared: bool


def _ventilation(known: _Known, locations: list[LocationAssessment]) -> tuple[Ventilation, ...]:
    """Advice for every room, from the newest readings and the cold surfaces as they are now."""
    surfaces = {location.location: location.surface for location in locations if location.surface is not None}
    rooms = [location for location in known.job.locations if location.kind is LocationKind.ROOM_AIR]
    days = known.damage.ventilation_days
    advice = [
        ventilation(known.job, room, known.airs, surfaces, days.get(room.id, VentilationDay()), known.options)
        for room in rooms
    ]
    return tuple(one for one in advice if one is not None)


def _present(
    job: JobFile, location: Location, record: JobRecord, hours: HourlyResults, as_of_s: float, options: AnalysisOptions
) -> Present | None:
    placements = record.at(location.id)
    excluded = {placement_key(s): recent_out(hours.qualities.get(placement_key(s)), s.recent) for s in placements}
    return present(location, placements, job.calibrations, excluded, as_of_s, options)


def _surfaces(
    job: JobFile, airs: dict[str, Present | None], options: AnalysisOptions
) -> dict[str, tuple[SurfaceRisk, Finding] | None]:
    """Condensation at the surface of each location that has readings."""
    places = {}
    for location in job.locations:
        present = airs[location.id]
        if present is not None:
            room = location if location.kind is LocationKind.ROOM_AIR else job.room_of(location)
            inside, outside = (None if air is None else airs[air.id] for air in (room, job.outdoor()))
            places[location.id] = Place(present, inside, outside)
    return dict(zip(places, surface_risks(list(places.values()), options), strict=True))


def _location(known: _Known, location: Location, findings: list[Finding]) -> LocationAssessment:
    job, airs, goals, hours, options = known.job, known.airs, known.goals, known.hours, known.options
    as_of_s, compared, damage = known.as_of_s, known.compared, known.damage.at(location.id)
    present, element, flags = airs[location.id], goals[location.id], hours.flags[location.id]
    if present is None:
        return LocationAssessment(
            location=location.id,
            probe=None,
            state=State.NO_DATA,
            last_reading_at=None,
            mould=damage.mould,
            wood=damage.wood,
            flags=flags,
        )
    pressure = float(standard_pressure(job.elevation_m))
    comparisons: list[Comparison] = []
    for role, air in airs_of(job, location) if compared else ():
        other = airs[air.id]
        if other is not None:
            comparisons.append(compare(present, other, role, pressure, options))
    source: MoistureSource | None = None
    if compared:
        settled = {key: view.equilibrium for key, view in goals.items()}
        comparisons += depth_comparisons(job, location, hours.all_series, settled, hours.clocks, pressure, options)
        source = source_at(hours, job, location, options)
    risk: SurfaceRisk | None = None
    assessed = known.surfaces[location.id]
    if assessed is not None:
        risk, finding = assessed
        findings.append(finding)
    extremes, cautions = frost_and_heat(present, options)
    findings.extend(extremes)
    age = as_of_s - present.time_s
    stale = age > options.stale_after_intervals * max(options.silent_interval_floor_s, present.interval_s)
    return LocationAssessment(
        location=location.id,
        probe=present.probe,
        state=State.NO_DATA if stale else element.state,
        facts=_facts(present, element, stale, utc(as_of_s)),
        last_reading_at=utc(present.time_s),
        comparisons=tuple(comparisons),
        source=source,
        surface=risk,
        night_ahead=damage.night_ahead,
        mould=damage.mould,
        wood=damage.wood,
        cautions=cautions,
        equilibrium=element.equilibrium,
        drying=element.drying,
        forecast=None if element.forecast is None else _not_past(element.forecast, utc(as_of_s)),
        flags=flags,
        **(_air_values(present, pressure) if compared else {}),
    )


_Dated = TypeVar("_Dated", Facts, Forecast)


def _not_past(dated: _Dated, as_of: datetime) -> _Dated:
    """The same with no date before `as_of`: a forecast stands for six hours, and its early end may pass meanwhile."""
    dates = {"low": dated.low, "middle": dated.middle, "high": dated.high}
    past = {name: as_of for name, date in dates.items() if date is not None and date < as_of}
    return dated.model_copy(update=past) if past else dated


def _facts(present: Present, element: GoalResults, stale: bool, as_of: datetime) -> Facts:
    """The facts of the state; without data the last value, and without a goal the present one."""
    humidity = Quantity(
        value=float(present.series.relative_humidity_pct[-1]), u=present.uncertainty.relative_humidity_pct, unit="% RH"
    )
    last = element.drying.value if element.drying is not None and element.drying.value is not None else humidity
    if stale:
        return Facts(value=last, at=utc(present.time_s))
    if element.state is State.RECORDED_ONLY:
        return Facts(value=humidity)
    return _not_past(element.facts, as_of)


def _air_values(present: Present, pressure_pa: float) -> dict[str, Quantity]:
    """Present values of the air at a location with their standard uncertainties."""
    t, rh = float(present.series.temperature_c[-1]), float(present.series.relative_humidity_pct[-1])
    u_t, u_rh = present.uncertainty.temperature_k, present.uncertainty.relative_humidity_pct
    vp = float(vapour_pressure(t, rh, humidity_over=present.humidity_over.value))
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
