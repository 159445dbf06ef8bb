"""What the parts of the building are made of: how much water they hold at a humidity, and how it moves in concrete.

Written apart from the daemon's own material equations, so that a mistake in those can't hide in the simulator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TABLE_POINTS = 401
"""Points of each table, evenly over relative water content 0..1."""
SERVICE_C = 20.0
"""Temperature at which a concrete's sorption table holds. [°C]"""
TIMBER_FULL_PCT = 30.0
"""Wood moisture content at fibre saturation (Wood Handbook ch. 4: about 30 %). [% of dry mass]"""


def concrete_sorption(h: Array, w_c: float = 0.5, age_days: float = 28.0, temperature_c: float = 25.0) -> Array:
    """Water in hardened cement paste in equilibrium with a humidity. [kg per kg of cement]

    Source: Xi, Bažant and Jennings 1994 (three-parameter model), cement of type I.
    """
    c = np.exp(855.0 / (temperature_c + 273.15))
    vm = (0.068 - 0.22 / age_days) * (0.85 + 0.45 * w_c) * 0.9
    n = (2.5 + 15.0 / age_days) * (0.33 + 2.2 * w_c) * 1.1
    k = ((1.0 - 1.0 / n) * c - 1.0) / (c - 1.0)
    return np.asarray(c * k * vm * h / ((1.0 - k * h) * (1.0 + (c - 1.0) * k * h)))


def diffusivity_share(h: Array, alpha: float = 0.05, h_c: float = 0.80, n: float = 15.0) -> Array:
    """Diffusivity of concrete as a share of that when saturated.

    Source: Bažant and Najjar 1972; constants of CEB-FIP Model Code 1990.
    """
    return np.asarray(alpha + (1.0 - alpha) / (1.0 + ((1.0 - h) / (1.0 - h_c)) ** n))


def diffusivity_temperature_factor(temperature_c: Array, activation_k: Array | float = 2700.0) -> Array:
    """Diffusivity at a temperature as a share of that at 25 °C. Source: Bažant and Najjar 1972."""
    return np.asarray(np.exp(activation_k * (1.0 / 298.15 - 1.0 / (temperature_c + 273.15))))


def humidity_at_temperature(h: Array, temperature_c: Array | float) -> Array:
    """Pore humidity of sealed concrete at a temperature, from that at 20 °C and the same water, at most 1.

    Source: Bažant and Najjar 1972, dh/dT = 0.0135 h (1 - h)/(1.25 - h) per kelvin, taken in one step.
    """
    slope = 0.0135 * h * (1.0 - h) / (1.25 - h)
    return np.asarray(np.minimum(h + slope * (np.asarray(temperature_c) - SERVICE_C), 1.0))


def humidity_at_service(h: Array, temperature_c: Array | float) -> Array:
    """The inverse of `humidity_at_temperature`: pore humidity at 20 °C from that at a temperature."""
    found = h
    for _ in range(4):  # the slope is small: each round leaves a fiftieth of the error
        slope = 0.0135 * found * (1.0 - found) / (1.25 - found)
        found = np.clip(h - slope * (np.asarray(temperature_c) - SERVICE_C), 0.0, 1.0)
    return np.asarray(found)


def timber_equilibrium(h: Array, temperature_c: float | Array) -> Array:
    """Wood moisture content in equilibrium with air. [% of dry mass]

    Source: USDA Wood Handbook (FPL-GTR-190) ch. 4 eq. 4-5.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    w = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 2.73e-6 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    bound = (k1 * kh + 2.0 * k1 * k2 * kh**2) / (1.0 + k1 * kh + k1 * k2 * kh**2)
    return np.asarray(1800.0 / w * (kh / (1.0 - kh) + bound))


@dataclass(frozen=True)
class Table:
    """Humidity against water content, as a share of the content at which the humidity reaches 1."""

    humidity: Array
    full: float
    """Content at humidity 1, in the unit of whoever uses it."""

    def content(self, h: float | Array) -> Array:
        """Content at a humidity 0..1."""
        grid = np.linspace(0.0, self.full, len(self.humidity))
        return np.asarray(np.interp(h, self.humidity, grid))

    def humidity_of(self, content: float | Array) -> Array:
        """Humidity at a content; 1 for all that is fuller than full."""
        grid = np.linspace(0.0, self.full, len(self.humidity))
        return np.asarray(np.interp(content, grid, self.humidity))


def _inverted(h: Array, content: Array) -> Table:
    even = np.linspace(0.0, content[-1], TABLE_POINTS)
    return Table(np.interp(even, content, h), float(content[-1]))


def timber_table(temperature_c: float) -> Table:
    """Timber: content in % of dry mass; the Wood Handbook's curve to 95 %, then straight to fibre saturation."""
    h = np.linspace(0.0, 0.95, 400)
    content = timber_equilibrium(h, temperature_c)
    return _inverted(np.append(h, 1.0), np.append(content, max(TIMBER_FULL_PCT, content[-1] + 2.0)))


def lining_table(knee: float) -> Table:
    """Board, wool or skin of soil: most of its water is held near 100 %. Content as a share of full.

    `knee` is the share below which the humidity falls off; our own shape, 1 - exp(-x/knee), scaled.
    """
    x = np.linspace(0.0, 1.0, TABLE_POINTS)
    return Table((1.0 - np.exp(-x / knee)) / (1.0 - np.exp(-1.0 / knee)), 1.0)


@dataclass(frozen=True)
class Concrete:
    """A concrete or screed."""

    d1_m2_s: float = 3.5e-10
    """Diffusivity when saturated, at 25 °C. [m²/s]"""
    cement_kg_m3: float = 320.0
    w_c: float = 0.5
    constant: bool = False
    """For checks against closed solutions: diffusivity that depends on nothing, humidity in proportion to water."""
    alpha: float = 0.05
    h_c: float = 0.80
    n: float = 15.0
    """Constants of `diffusivity_share`."""
    falloff: float | None = None
    """D as exp(-falloff (1 - h)) in place of that law (a common shape in drying codes; 0: constant)."""
    late_share: float | None = None
    """Water as (1 - share) h + share h^power of the full content in place of the published isotherm (our own shape)."""
    late_power: float = 12.0
    activation_k: float = 2700.0
    """Of D with temperature."""

    def table(self) -> Table:
        """Humidity against water. [kg/m³]"""
        h = np.linspace(0.0, 1.0, 2001)
        if self.constant:
            return Table(np.linspace(0.0, 1.0, TABLE_POINTS), 100.0)
        content = self.cement_kg_m3 * concrete_sorption(h, self.w_c)
        if self.late_share is not None:
            content = content[-1] * ((1.0 - self.late_share) * h + self.late_share * h**self.late_power)
        return _inverted(h, content)

    def diffusivity(self, h: Array) -> Array:
        """Diffusivity at 25 °C. [m²/s]"""
        if self.constant:
            return self.d1_m2_s * np.ones_like(h)
        if self.falloff is not None:
            return np.asarray(self.d1_m2_s * np.exp(-self.falloff * (1.0 - h)))
        return self.d1_m2_s * diffusivity_share(h, self.alpha, self.h_c, self.n)
