"""Enclosed air: wall cavities and sub-floor voids, with the wet things and the timber in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.building.climate import Weather, lagged

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lining:
    """A thin wet thing that gives its water to the air: board, wool, debris, the skin of the ground."""

    area_m2: float
    full_kg_m2: float
    """Water that it holds when full."""
    share: float
    """What it holds at the start, as a share of full."""
    knee: float = 0.15
    g: float = 5e-9
    """Exchange of vapour with the air. [kg/(m² s Pa)]"""
    deep_g: float = 0.0
    """Feed of vapour from wet ground below. [kg/(m² s Pa)]"""


@dataclass(frozen=True)
class Timber:
    """Studs or joists: a skin that follows the air within a day or two, and a core that follows within weeks."""

    dry_kg: float
    start_pct: float
    """Moisture content at the start. [% of dry mass]"""
    lag_days: float = 14.0
    """Time constant with which the core follows the skin."""
    skin_share: float = 0.12
    skin_lag_h: float = 18.0
    """Time constant with which the skin follows the air."""


@dataclass(frozen=True)
class Cavity:
    """The air in a wall, or behind a lining."""

    id: str
    room: str
    volume_m3: float
    room_changes_h: float
    """Air change with the room."""
    outdoor_changes_h: float
    lining: Lining
    timber: Timber
    room_share: float = 0.6
    """Its temperature between outdoors (0) and room (1)."""
    f_rsi: float = 0.4
    """Temperature factor of its cold leaf."""
    lag_s: float = 2 * 3600.0
    sun_k: float = 2.0
    """How much the sun on the wall warms it at most."""
    leaf_m2: float = 0.5
    """Area of the part of it that is so cold."""


@dataclass(frozen=True)
class Void:
    """The space below a floor."""

    id: str
    room: str
    volume_m3: float
    outdoor_changes_h: float
    room_changes_h: float
    ground: Lining
    timber: Timber
    room_share: float = 0.25
    ground_share: float = 0.35
    """Its temperature: so much of the room's, so much of the ground's, the rest outdoors'."""
    f_rsi: float = 0.15
    lag_s: float = 8 * 3600.0
    leaf_m2: float = 1.0


def cavity_temperatures(cavity: Cavity, room_c: Array, weather: Weather) -> tuple[Array, Array]:
    """Temperature of a cavity's air and of its cold leaf. [°C]"""
    outside = lagged(weather.temperature_c + cavity.sun_k * weather.sun, weather.step_s, cavity.lag_s)
    inside = lagged(room_c, weather.step_s, 0.5 * cavity.lag_s)
    air = outside + cavity.room_share * (inside - outside)
    return air, outside + cavity.f_rsi * (inside - outside)


def void_temperatures(void: Void, room_c: Array, weather: Weather) -> tuple[Array, Array]:
    """Temperature of a void's air and of its coldest surface. [°C]"""
    outside = lagged(weather.temperature_c, weather.step_s, void.lag_s)
    inside = lagged(room_c, weather.step_s, 1.5 * void.lag_s)
    rest = 1.0 - void.room_share - void.ground_share
    air = void.room_share * inside + void.ground_share * weather.ground_c + rest * outside
    slow = lagged(weather.temperature_c, weather.step_s, 2.0 * void.lag_s)
    return air, np.asarray(slow + void.f_rsi * (inside - slow))
