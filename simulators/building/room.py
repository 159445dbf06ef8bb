"""Rooms: heat, air change, the dehumidifier, and the linings that take moisture up and give it back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulators.building import events as ev
from simulators.building.climate import Weather, ar_noise
from simulators.building.events import Event

Array = NDArray[np.float64]


RELIEF_C, RELIEF_W_K_M2 = 30.0, 6.0
"""Above this temperature people open a door to somewhere cooler; only heat goes there."""


@dataclass(frozen=True)
class Heating:
    """A heater with a thermostat."""

    set_c: float = 20.0
    night_c: float | None = None
    """Set point outside `day`; none: the same all day; below 0: off."""
    day: tuple[float, float] = (6.0, 21.0)
    """Local hours between which `set_c` holds."""
    power_w: float = 4000.0
    band_k: float = 0.0
    """Half the width of the thermostat's switching; 0: it regulates smoothly."""
    cycle_h: tuple[float, float] | None = None
    """On for so long and off for so long instead, without a thermostat below `set_c` + 8 K. [h]"""


@dataclass(frozen=True)
class Dehumidifier:
    """A refrigerant dehumidifier."""

    rated_kg_day: float
    """At 27 °C and 80 %."""
    humidistat_pct: float | None = None
    """It rests below this humidity; none: it always runs."""
    tank_kg: float | None = None
    """It stops when so much water is in the tank; none: a pump or a drain."""
    emptied_h: tuple[float, ...] = (8.0, 17.0)
    """Local hours at which the tank is emptied, on working days."""
    heat_w: float = 600.0
    hours: tuple[float, float] | None = None
    """Local hours between which it runs; none: all day."""


@dataclass(frozen=True)
class Room:
    """A room that is dried."""

    id: str
    floor_m2: float
    height_m: float = 2.5
    air_changes_h: float = 0.3
    """Air change with outdoors when shut."""
    loss_w_k: float = 60.0
    """Heat loss to outdoors per kelvin."""
    fabric_j_k: float = 5e6
    """Heat that the fabric holds per kelvin."""
    air_j_k: float = 2.5e5
    """Heat that air and furniture hold per kelvin."""
    fabric_w_k: float = 300.0
    """Exchange of heat between air and fabric."""
    gains_w: float = 100.0
    """Sun, lamps, people on average."""
    heating: Heating | None = None
    machine: Dehumidifier | None = None
    machine_from_s: float = -np.inf
    lining_m2: float = 80.0
    lining_kg_m2: float = 2.5
    """Water that the linings hold when full."""
    lining_knee: float = 0.35
    lining_humidity: float = 0.6
    """Humidity of the linings at the start."""
    lining_g: float = 1.2e-9
    """Exchange of vapour between linings and air. [kg/(m² s Pa)]"""
    window_m2: float = 4.0
    window_factor: float = 0.55
    """Temperature factor of the panes, on which water condenses first."""
    f_rsi: float = 0.75
    """Temperature factor of the coldest surface that is watched."""
    surface_lag_s: float = 3 * 3600.0

    @property
    def volume_m3(self) -> float:
        """Volume of the air."""
        return self.floor_m2 * self.height_m


def local_hour(time_s: Array, zone: str) -> Array:
    """Hour of the day, 0..24, at a place; the offset is looked up once a day."""
    days = np.floor(time_s / 86_400.0)
    unique, inverse = np.unique(days, return_inverse=True)
    local = ZoneInfo(zone)
    offsets = [datetime.fromtimestamp(d * 86_400.0 + 43_200.0, local).utcoffset() for d in unique]
    seconds = np.array([o.total_seconds() if o is not None else 0.0 for o in offsets])
    return np.asarray(((time_s + seconds[inverse]) % 86_400.0) / 3600.0)


def _within(hour: Array, span: tuple[float, float]) -> NDArray[np.bool_]:
    low, high = span
    return np.asarray((hour >= low) & (hour < high) if low <= high else (hour >= low) | (hour < high))


def set_points(heating: Heating, time_s: Array, zone: str, off: NDArray[np.bool_]) -> Array:
    """What the thermostat asks for at each time; -100 where the heating is off. [°C]"""
    asked = np.full(len(time_s), heating.set_c)
    if heating.night_c is not None:
        night = ~_within(local_hour(time_s, zone), heating.day)
        asked[night] = heating.night_c if heating.night_c >= 0 else -100.0
    if heating.cycle_h is not None:
        on_h, off_h = heating.cycle_h
        phase = ((time_s - time_s[0]) / 3600.0) % (on_h + off_h)
        asked = np.where(phase < on_h, heating.set_c + 8.0, -100.0)
    asked[off] = -100.0
    return asked


def machine_runs(room: Room, time_s: Array, zone: str, events: tuple[Event, ...]) -> NDArray[np.bool_]:
    """Whether the machine is switched on (what humidistat and tank do comes later)."""
    if room.machine is None:
        return np.zeros(len(time_s), dtype=bool)
    runs = time_s >= room.machine_from_s
    runs &= ~ev.any_on(ev.of(events, room.id, ev.MACHINE_OFF), time_s)
    if room.machine.hours is not None:
        runs &= _within(local_hour(time_s, zone), room.machine.hours)
    return runs


def emptied(machine: Dehumidifier | None, time_s: Array, zone: str) -> NDArray[np.bool_]:
    """Whether the tank is emptied in each step."""
    result = np.zeros(len(time_s), dtype=bool)
    if machine is None or machine.tank_kg is None:
        return result
    hour = local_hour(time_s, zone)
    working = (np.floor(time_s / 86_400.0).astype(int) + 4) % 7 != 0
    for at in machine.emptied_h:
        passed = (hour >= at) & (np.roll(hour, 1) < at)
        passed[:1] = False
        result |= passed & working
    return result


def air_change(room: Room, weather: Weather, events: tuple[Event, ...], rng: np.random.Generator) -> Array:
    """Air changes with outdoors at each time. [1/h] Leakage grows with the temperature difference and with wind."""
    wind = np.exp(ar_noise(rng, len(weather.time_s), weather.step_s, 8 * 3600.0, 0.3))
    opened = ev.sum_of(ev.of(events, room.id, ev.WINDOW_OPEN, ev.DOOR_OPEN), weather.time_s)
    return np.asarray((room.air_changes_h + opened) * wind)


def temperatures(
    room: Room,
    weather: Weather,
    zone: str,
    events: tuple[Event, ...],
    changes_h: Array,
    runs: NDArray[np.bool_],
) -> Array:
    """Temperature of a room's air at each time. [°C]

    Two masses, air and fabric; each step solves the air exactly for what it is driven by, so that the step may be
    longer than the air's own time constant.
    """
    time_s, outdoor = weather.time_s, weather.temperature_c
    heating = room.heating
    off = ev.any_on(ev.of(events, room.id, ev.HEATING_OFF), time_s)
    asked = set_points(heating, time_s, zone, off) if heating is not None else np.full(len(time_s), -100.0)
    loss = room.loss_w_k + changes_h * room.volume_m3 / 3600.0 * 1200.0
    gains = room.gains_w * (0.4 + 2.4 * weather.sun) + np.where(runs, room.machine.heat_w if room.machine else 0.0, 0.0)
    return _march(room, outdoor, asked, loss, gains, weather.step_s)


def _march(room: Room, outdoor: Array, asked: Array, loss: Array, gains: Array, dt: float) -> Array:
    heating = room.heating or Heating(power_w=0.0)
    open_w_k = RELIEF_W_K_M2 * room.floor_m2
    power, band, g = heating.power_w, heating.band_k, room.fabric_w_k
    air = fabric = max(float(asked[0]), float(np.mean(outdoor[:144])) + 2.0)
    airs = np.empty(len(outdoor))
    burning = False
    for i, (out, ask, lost, gained) in enumerate(
        zip(outdoor.tolist(), asked.tolist(), loss.tolist(), gains.tolist(), strict=True)
    ):
        total = g + lost + (open_w_k if air > RELIEF_C else 0.0)
        keep = np.e ** (-dt * total / room.air_j_k)
        free = (g * fabric + (total - g) * out + gained) / total
        aim = ask
        if band > 0:
            burning = ask > -50 and (air < ask + band if burning else air < ask - band)
            aim = ask + band if burning else -100.0
        wanted = ((aim - keep * air) / (1.0 - keep) - free) * total
        heat = min(max(wanted, 0.0), power)
        mean_air = free + heat / total
        new = mean_air + (air - mean_air) * keep
        fabric += dt * g * (0.5 * (air + new) - fabric) / room.fabric_j_k
        air = new
        airs[i] = air
    return airs


def capacity(machine: Dehumidifier, temperature_c: Array, saturation_pa: Array) -> tuple[Array, Array]:
    """How the machine draws water: conductance and the vapour pressure below which it draws none. [kg/(s Pa)], [Pa]

    Straight in relative humidity from 28 % to the rating at 80 %, and in temperature from 2 °C to 27 °C, which is
    roughly how makers' tables of refrigerant machines run (from memory).
    """
    low = 0.28
    share = np.clip((temperature_c - 2.0) / 25.0, 0.03, 1.15)
    conductance = machine.rated_kg_day / 86_400.0 * share / ((0.80 - low) * saturation_pa)
    return conductance, low * saturation_pa
