"""Outdoor air: season, daily cycle and weather fronts, from mild to hard winters.

Temperature and dew point wander as first-order autoregressive processes about the season, so that fronts come and
go over days. Numbers of the climates are rounded from memory of what such places are like; no station is meant.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from monitord.physics.moist_air import saturation_vapour_pressure

Array = NDArray[np.float64]

DAY_S = 86_400.0
_YEAR_S = 365.25 * DAY_S
_COLDEST_DAY_S = 20 * DAY_S
"""The coldest time of the year follows the solstice by about four weeks."""


@dataclass(frozen=True)
class Climate:
    """What the weather of a place is like."""

    name: str
    zones: tuple[str, ...]
    """IANA time zones that it is found in."""
    mean_c: float
    season_k: float
    """Half the difference between the means of the warmest and the coldest time."""
    daily_k: float
    """Half the daily swing on a clear day."""
    front_k: float
    """Standard deviation of the wandering over days."""
    front_days: float
    depression_k: float
    """Mean distance of the dew point below the day's mean temperature."""
    depression_summer_k: float
    """How much larger it is in summer than on average."""
    elevation_m: tuple[float, float]
    south: bool = False


CLIMATES = (
    Climate(
        "maritime", ("Europe/London", "Europe/Dublin", "Europe/Amsterdam"), 10.5, 6.0, 3.2, 3.0, 3.0, 2.8, 0.8, (0, 200)
    ),
    Climate(
        "nordic", ("Europe/Helsinki", "Europe/Stockholm", "Europe/Oslo"), 4.0, 11.5, 3.2, 5.2, 3.5, 2.6, 1.8, (0, 250)
    ),
    Climate(
        "continental",
        ("Europe/Berlin", "Europe/Warsaw", "America/Toronto"),
        9.0,
        10.5,
        4.5,
        4.2,
        3.2,
        3.6,
        1.2,
        (50, 500),
    ),
    Climate(
        "mediterranean", ("Europe/Rome", "Europe/Madrid", "Europe/Lisbon"), 16.0, 8.0, 5.0, 2.4, 3.5, 5.0, 2.0, (0, 650)
    ),
    Climate("subtropical", ("America/New_York", "Asia/Tokyo"), 16.0, 10.0, 4.2, 3.6, 2.8, 3.6, -0.8, (0, 300)),
    Climate("alpine", ("Europe/Zurich", "Europe/Vienna"), 5.5, 9.0, 4.6, 4.2, 3.5, 3.2, 0.6, (700, 1500)),
    Climate("dry_upland", ("America/Denver",), 9.5, 11.5, 7.0, 4.6, 2.8, 8.0, 2.0, (1300, 2100)),
    Climate(
        "southern", ("Pacific/Auckland", "Australia/Melbourne"), 14.0, 5.0, 4.0, 2.6, 2.6, 3.6, 0.6, (0, 250), True
    ),
)


@dataclass(frozen=True)
class Spell:
    """Weather out of the usual: for some days colder, warmer, or more humid."""

    start_s: float
    end_s: float
    shift_c: float = 0.0
    """Added to the temperature. [K]"""
    damp: float = 0.0
    """Share of the distance between dew point and temperature that is taken away. [0..1]"""
    ramp_s: float = 0.6 * DAY_S


@dataclass(frozen=True)
class Weather:
    """Outdoor air on a regular grid."""

    time_s: Array
    temperature_c: Array
    vapour_pressure_pa: Array
    sun: Array
    """Strength of the sun, 0 to 1 on a clear summer noon."""
    annual_mean_c: float
    ground_c: Array
    """Temperature of the ground about half a metre deep."""

    @property
    def step_s(self) -> float:
        """Length of a step. [s]"""
        return float(self.time_s[1] - self.time_s[0])


def ar_noise(rng: np.random.Generator, n: int, step_s: float, tau_s: float, spread: float) -> Array:
    """Stationary first-order autoregressive noise with time constant `tau_s` and standard deviation `spread`."""
    keep = np.exp(-step_s / tau_s)
    kicks = rng.standard_normal(n) * np.sqrt(1.0 - keep * keep)
    kicks[:1] = rng.standard_normal()
    return np.asarray(spread * lfilter([1.0], [1.0, -keep], kicks))


def lagged(values: Array, step_s: float, tau_s: float) -> Array:
    """The values as a first-order lag follows them, started in step with the mean of the first time constant."""
    if tau_s <= 0:
        return values
    keep = np.exp(-step_s / tau_s)
    first = float(np.mean(values[: max(1, int(tau_s / step_s))]))
    out, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=np.array([keep * first]))
    return np.asarray(out)


def bump(time_s: Array, start_s: float, end_s: float, ramp_s: float) -> Array:
    """1 between two times and 0 outside, with ramps of half a cosine."""
    up = np.clip((time_s - start_s) / ramp_s, 0.0, 1.0)
    down = np.clip((end_s - time_s) / ramp_s, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(up, down)))


def season_cosine(time_s: Array, south: bool) -> Array:
    """-1 in the coldest time of the year, 1 in the warmest."""
    year = (time_s - datetime(2024, 1, 1, tzinfo=UTC).timestamp() - _COLDEST_DAY_S) / _YEAR_S
    sign = 1.0 if south else -1.0
    return np.asarray(sign * np.cos(2 * np.pi * year))


@dataclass
class _Drawn:
    """Random parts of the weather, drawn in one order so that a spell changes nothing else."""

    front: Array
    dryness: Array
    cloud: Array
    gusts: Array
    daily: Array = field(default_factory=lambda: np.empty(0))


def _draw(rng: np.random.Generator, climate: Climate, n: int, step_s: float) -> _Drawn:
    return _Drawn(
        front=ar_noise(rng, n, step_s, climate.front_days * DAY_S, climate.front_k),
        dryness=ar_noise(rng, n, step_s, 1.1 * DAY_S, 0.45),
        cloud=1.0 / (1.0 + np.exp(-1.6 * ar_noise(rng, n, step_s, 1.2 * DAY_S, 1.2))),
        gusts=ar_noise(rng, n, step_s, 1800.0, 0.18),
    )


def make_weather(
    climate: Climate,
    zone: str,
    rng: np.random.Generator,
    start_s: float,
    n: int,
    step_s: float,
    spells: tuple[Spell, ...] = (),
) -> Weather:
    """Weather of one place from a time on.

    Parameters
    ----------
    n, step_s : number of steps, and their length. [s]

    Returns
    -------
    Weather with a relative humidity of at most 100 % over water, and little over saturation over ice in frost.
    """
    time_s = np.asarray(start_s + step_s * np.arange(n), dtype=np.float64)
    drawn = _draw(rng, climate, n, step_s)
    season = season_cosine(time_s, climate.south)
    offset = datetime.fromtimestamp(start_s, ZoneInfo(zone)).utcoffset()
    clock = (time_s + (offset.total_seconds() if offset else 0.0)) % DAY_S / 3600.0
    clear = 1.0 - drawn.cloud
    sun = np.clip(np.cos(2 * np.pi * (clock - 13.0) / 24.0) + 0.35 * season, 0.0, None) / 1.35
    # winter fronts are stronger than summer ones, and clear winter nights are cold
    front = drawn.front * (1.0 - 0.25 * season)
    base = climate.mean_c + climate.season_k * season + front - 1.5 * clear * np.clip(-season, 0, 1)
    swing = climate.daily_k * (0.25 + 0.75 * clear) * (0.8 + 0.25 * season)
    temperature = base + swing * np.cos(2 * np.pi * (clock - 15.0) / 24.0) + drawn.gusts
    depression = (climate.depression_k + climate.depression_summer_k * season) * np.exp(drawn.dryness) + 0.5 * clear
    dew = base - np.clip(depression, 0.2, 22.0)
    for spell in spells:
        share = bump(time_s, spell.start_s, spell.end_s, spell.ramp_s)
        temperature = temperature + spell.shift_c * share
        dew = dew + spell.shift_c * share
        dew = dew + spell.damp * share * np.clip(temperature - 0.4 - dew, 0.0, None)
    temperature = np.clip(temperature, -45.0, 46.0)
    pressure = np.asarray(saturation_vapour_pressure(np.clip(dew, -60.0, 40.0), "water"))
    return Weather(
        time_s=time_s,
        temperature_c=temperature,
        vapour_pressure_pa=np.minimum(pressure, max_vapour(temperature)),
        sun=sun * clear,
        annual_mean_c=climate.mean_c,
        ground_c=climate.mean_c + 0.55 * climate.season_k * season_cosine(time_s - 45 * DAY_S, climate.south) + 1.0,
    )


def max_vapour(temperature_c: Array) -> Array:
    """The most vapour that outdoor air holds: saturation over water, in frost 2 % over that of ice. [Pa]"""
    water = np.asarray(saturation_vapour_pressure(temperature_c, "water"))
    own = np.asarray(saturation_vapour_pressure(temperature_c))
    return np.minimum(water, np.where(temperature_c < 0.0, 1.02 * own, water))
