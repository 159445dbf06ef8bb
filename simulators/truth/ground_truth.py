"""What is really so at each location of a simulated job, on regular grids: the basis of readings and of truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitord.physics.moist_air import saturation_vapour_pressure
from simulators.building.simulation import SimulatedHistory
from simulators.building.structure import Building
from simulators.probes.measuring import ProbedPlace
from simulators.probes.sleeves import sleeve_air
from simulators.rolling import block_means, trailing_mean
from simulators.scenario import EQUILIBRIUM_RH, RH, STEP_S, TIMBER_MC, VP_EXCESS, Location, Scenario

Array = NDArray[np.float64]


def saturation(temperature_c: Array) -> Array:
    """Saturation pressure over water. [Pa]"""
    return np.asarray(saturation_vapour_pressure(temperature_c, "water"))


@dataclass(frozen=True)
class LocationHistory:
    """What is true at one location."""

    temperature_c: Array
    humidity_pct: Array
    vapour_pressure_pa: Array
    surface_c: Array | None
    """Temperature of its coldest surface, where one is watched."""
    metric: dict[str, Array] = field(default_factory=dict)
    """Each goal metric that makes sense there."""

    @property
    def saturation_pa(self) -> Array:
        """Saturation pressure at its temperature, over water. [Pa]"""
        return saturation(self.temperature_c)


def location_history(
    location: Location, scenario: Scenario, building: Building, history: SimulatedHistory, with_sleeve: bool
) -> LocationHistory:
    """The truth at one location along a course; `with_sleeve`: what the sleeve's air is, not only the concrete."""
    if location.kind == "outdoor_air":
        w = history.weather
        humidity = 100.0 * w.vapour_pressure_pa / saturation(w.temperature_c)
        return LocationHistory(w.temperature_c, humidity, w.vapour_pressure_pa, None)
    if location.sleeve is not None:
        return _in_sleeve(location, scenario, building, history, with_sleeve)
    node = building.node(location.part)
    air_c, pressure, leaf = (x[:, node] for x in (history.temperature_c, history.vapour_pressure_pa, history.leaf_c))
    if location.kind == "surface":
        air_c = leaf + 0.4 * (air_c - leaf)
    watched = leaf if location.f_rsi is not None or location.surface_sensor else None
    humidity = np.minimum(100.0 * pressure / saturation(air_c), 100.0)
    metric = {RH: humidity}
    if location.kind in ("cavity", "subfloor_void"):
        metric[TIMBER_MC] = history.timber_pct[:, node]
    return LocationHistory(air_c, humidity, pressure, watched, metric)


def _in_sleeve(
    location: Location, scenario: Scenario, building: Building, history: SimulatedHistory, with_sleeve: bool
) -> LocationHistory:
    assert location.sleeve is not None
    index = [p.id for p in scenario.sleeves].index(location.id)
    concrete_h, concrete_c = history.depth_humidity[:, index], history.depth_c[:, index]
    room = building.node(next(s.room for s in scenario.slabs if s.id == location.sleeve.slab))
    temperature, humidity = concrete_c, 100.0 * concrete_h
    if with_sleeve:
        temperature, humidity = sleeve_air(
            location.sleeve, history.time_s, concrete_h, concrete_c,
            history.temperature_c[:, room], history.vapour_pressure_pa[:, room],
        )  # fmt: skip
    pressure = humidity / 100.0 * saturation(temperature)
    return LocationHistory(temperature, humidity, pressure, None, {EQUILIBRIUM_RH: 100.0 * concrete_h})


def location_histories(
    scenario: Scenario, building: Building, history: SimulatedHistory, with_sleeve: bool = True
) -> dict[str, LocationHistory]:
    """The truth at every location along a course."""
    found = {p.id: location_history(p, scenario, building, history, with_sleeve) for p in scenario.locations}
    for location in scenario.locations:
        if location.reference is not None and location.sleeve is None and location.kind != "room_air":
            excess = found[location.id].vapour_pressure_pa - found[location.reference].vapour_pressure_pa
            found[location.id].metric[VP_EXCESS] = excess
    return found


def as_location(history: LocationHistory, time_s: Array, sensor: bool) -> ProbedPlace:
    """A location as a probe there meets it."""
    return ProbedPlace(time_s, history.temperature_c, history.humidity_pct, history.surface_c if sensor else None)


@dataclass(frozen=True)
class Hourly:
    """One goal metric hour by hour, from the spin-up to the end of what was simulated beyond the job."""

    hour_s: Array
    """End of each hour."""
    mean: Array
    windowed: Array
    """Mean over the goal's window up to the end of each hour."""


def hourly_metric(
    metric: Array, start_s: float, beyond: Array, beyond_start_s: float, beyond_step_s: float, window_h: float
) -> Hourly:
    """Join what happened with what would happen beyond the end.

    Parameters
    ----------
    metric : ten-minute values from `start_s` on.
    beyond : values in steps of `beyond_step_s` from `beyond_start_s` on, each the mean of its step.
    """
    inside = block_means(metric, int(3600.0 / STEP_S))
    hour_s = start_s + 3600.0 * (np.arange(len(inside)) + 1) - STEP_S
    repeat = round(beyond_step_s / 3600.0)
    outside = np.repeat(beyond, repeat)
    outside_s = beyond_start_s + 3600.0 * (np.arange(len(outside)) + 1) - STEP_S
    mean = np.concatenate([inside, outside])
    return Hourly(np.concatenate([hour_s, outside_s]), mean, trailing_mean(mean, max(1, round(window_h))))
