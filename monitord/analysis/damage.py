"""Damage that the drying itself could do, judged from complete hours: the night ahead, mould, timber, ventilation.

The view is a pure function of what lies before its full hour, so it does not matter when or how often it is computed.
What rests on the newest readings, such as condensation now, is judged at each assessment instead.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitord.analysis.air.outdoor_forecast import OutdoorForecast
from monitord.analysis.air.ventilation import VentilationDay, ventilation_day
from monitord.analysis.hourly_results import HourlyResults
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.surfaces.cold_surface import ColdSurface, Track, surfaces_of_hours
from monitord.analysis.surfaces.mould_risk import WATCHED_KINDS, conditions_finding, mould_finding, mould_risk
from monitord.analysis.surfaces.night_ahead import Evening, expected_finding, nights_ahead
from monitord.analysis.wood.wood_moisture import wood_finding, wood_moisture
from monitord.model.assessments import Finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import MouldRisk, NightAhead, WoodMoisture
from monitord.model.jobs import VOID_KINDS, JobFile, Location, LocationKind


@dataclass
class LocationDamage:
    """What is held of one location."""

    night_ahead: NightAhead | None = None
    mould: MouldRisk | None = None
    wood: WoodMoisture | None = None


@dataclass
class DamageResults:
    """The night ahead, mould and timber by location, the last day's ventilation by room, and the findings of all."""

    hour_s: float
    locations: dict[str, LocationDamage] = field(default_factory=dict)
    ventilation_days: dict[str, VentilationDay] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def at(self, location_id: str) -> LocationDamage:
        """What is held of a location; empty where nothing is."""
        return self.locations.get(location_id, LocationDamage())


def assess_damage(
    job: JobFile,
    hours: HourlyResults,
    options: AnalysisOptions,
    outdoor_forecast: OutdoorForecast | None = None,
) -> DamageResults:
    """Judge every location on what lies before the hours' view.

    Parameters
    ----------
    hours : tracks of all locations on one grid of hours, with the spot readings of timber.
    outdoor_forecast : the outdoor air to come, where a forecast of it is at hand.
    """
    view = DamageResults(hours.hour_s)
    outdoor_air = job.outdoor()
    outdoor = hours.all_series.get(outdoor_air.id) if outdoor_air is not None else None
    tracks = []
    for location in job.locations:
        series = hours.all_series.get(location.id)
        if series is None or location.kind not in WATCHED_KINDS or not np.isfinite(series.vapour_pressure_pa).any():
            continue
        if location.kind is LocationKind.ROOM_AIR and outdoor is not None:
            view.ventilation_days[location.id] = ventilation_day(series, outdoor, job.elevation_m, options)
        tracks.append(Track(series, _room(job, hours, location), outdoor))
    surfaces = surfaces_of_hours(tracks, options)
    evenings = [
        Evening(series, surface, room, outdoor)
        for (series, room, outdoor), surface in zip(tracks, surfaces, strict=True)
        if surface is not None
    ]
    nights = iter(nights_ahead(evenings, options, outdoor_forecast))
    for track, surface in zip(tracks, surfaces, strict=True):
        night = None if surface is None else next(nights)
        _DamageAssessor(view, job, track.series, options).assess(surface, night)
    return view


def _room(job: JobFile, hours: HourlyResults, location: Location) -> HourlySeries | None:
    """The track of the room air beside a location; a room's own is its own."""
    room = location if location.kind is LocationKind.ROOM_AIR else job.room_of(location)
    return hours.all_series.get(room.id) if room is not None else None


@dataclass(frozen=True)
class _DamageAssessor:
    """One location."""

    view: DamageResults
    job: JobFile
    series: HourlySeries
    options: AnalysisOptions

    def assess(self, surface: ColdSurface | None, night: NightAhead | None) -> None:
        location, hour_s = self.series.location, self.view.hour_s
        found = self.view.locations[location.id] = LocationDamage()
        if surface is not None:
            found.night_ahead = night
            self._tell(expected_finding(self.series, night, hour_s, ASSESSMENT.damage_every_s))
        found.mould = mould_risk(self.series, surface, hour_s, self.job.zone, self.options)
        if found.mould is not None:
            self._tell(mould_finding(self.series, found.mould, self.options, ASSESSMENT.damage_every_s))
            self._tell(conditions_finding(self.series, found.mould, ASSESSMENT.damage_every_s))
        if location.kind in VOID_KINDS:
            found.wood = wood_moisture(self.series, hour_s, self.options)
            if found.wood is not None:
                self._tell(wood_finding(self.series, found.wood, self.options, ASSESSMENT.damage_every_s))

    def _tell(self, finding: Finding | None) -> None:
        if finding is not None:
            self.view.findings.append(finding)
