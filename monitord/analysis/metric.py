"""The goal's metric as an hourly series, where it would end in the air around it, and how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.rolling import trailing_mean
from monitord.analysis.timber import timber_track
from monitord.analysis.track import Track
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal, GoalMetric, LocationKind
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure
from monitord.physics.uncertainty import combine, u_vapour_pressure
from monitord.physics.wood import equilibrium_moisture_content

UNITS = {
    GoalMetric.EQUILIBRIUM_RH: "% RH",
    GoalMetric.RH: "% RH",
    GoalMetric.VAPOUR_PRESSURE_EXCESS: "Pa",
    GoalMetric.TIMBER_MOISTURE: "% MC",
}


@dataclass(frozen=True)
class Around:
    """Tracks of the air around an element, on the element's own hours; None where there is none."""

    air: Track | None
    """The air it dries into: its reference, else its room."""
    room: Track | None
    outdoor: Track | None

    def last(self, hours: int) -> Around:
        """The same, of the last hours only."""
        return Around(*(None if track is None else track.last(hours) for track in (self.air, self.room, self.outdoor)))


@dataclass(frozen=True)
class Metric:
    """A goal's metric by hour, each (n,), in the metric's unit."""

    goal: Goal
    value: Array
    u: float
    """Standard uncertainty of its level: a constant offset of the probe, mostly."""
    end: Array | None
    """Where it would end in the air around it, smoothed over two days; None where that is not known."""
    high: Array
    """Upper estimate where the level itself is estimated (timber), else the value."""

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return UNITS[self.goal.metric]


def humidity_in_air(here: Track, air: Track, hours: int = 48) -> Array:
    """Relative humidity that the surrounding air's vapour would give at the element's temperature, smoothed. [%]"""
    vp = trailing_mean(air.vapour_pressure_pa, hours, 0.3)
    t = trailing_mean(here.temperature_c, hours, 0.3)
    out = np.full(len(vp), np.nan)
    known = np.isfinite(vp) & np.isfinite(t)
    out[known] = 100.0 * vp[known] / saturation_vapour_pressure(t[known])
    return out


def build_metric(here: Track, around: Around, goal: Goal, options: AnalysisOptions) -> Metric | None:
    """The metric of a goal; None while there is nothing to compute it from."""
    air_rh = humidity_in_air(here, around.air) if around.air is not None else None
    if goal.metric in (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH):
        value = here.relative_humidity_pct
        return Metric(goal, value, here.doubt.relative_humidity_pct, air_rh, value)
    if goal.metric is GoalMetric.VAPOUR_PRESSURE_EXCESS:
        if around.air is None:
            return None
        value = here.vapour_pressure_pa - around.air.vapour_pressure_pa
        u = _u_excess(here, around.air)
        return Metric(goal, value, u, np.zeros(len(here)), value)
    timber = timber_track(here.temperature_c, here.relative_humidity_pct, options.timber_lag_days)
    if timber is None:
        return None
    end = None
    if air_rh is not None:
        end = np.full(len(here), np.nan)
        t = trailing_mean(here.temperature_c, 48, 0.3)
        known = np.isfinite(air_rh) & np.isfinite(t)
        end[known] = equilibrium_moisture_content(np.clip(t[known], 0.0, 50.0), np.clip(air_rh[known], 1.0, 99.0))
    spread = float(timber.high[-1] - timber.low[-1]) / np.sqrt(12.0)
    u = float(np.hypot(spread, options.timber_species_u_pct))
    return Metric(goal, timber.middle, u, end, timber.high)


def _u_excess(here: Track, air: Track) -> float:
    """Standard uncertainty of a vapour-pressure difference at the last known values. [Pa]"""
    parts = []
    for track in (here, air):
        known = np.flatnonzero(np.isfinite(track.vapour_pressure_pa))
        if len(known):
            t, rh = float(track.temperature_c[known[-1]]), float(track.relative_humidity_pct[known[-1]])
            rh = min(max(rh, 1.0), 100.0)
            parts.append(u_vapour_pressure(t, rh, track.doubt.temperature_k, track.doubt.relative_humidity_pct))
    return float(combine(*parts)) if parts else float("nan")


def is_sleeve(track: Track) -> bool:
    """Whether the track is of a sealed sleeve."""
    return track.location.kind is LocationKind.SLAB_SLEEVE
