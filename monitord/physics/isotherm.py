"""Sorption isotherm of hardened cement paste: how much water it holds at a humidity."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

from monitord.physics.constants import ZERO_CELSIUS_K
from monitord.physics.numeric import Array, FloatOrArray, choice, in_range


@dataclass(frozen=True)
class CementType:
    """Factors of a cement: of the monolayer capacity, and of the number of layers. [no unit]"""

    capacity: float
    layers: float


CEMENTS: dict[str, CementType] = {
    "I": CementType(0.9, 1.1),
    "II": CementType(1.0, 1.0),
    "III": CementType(0.85, 1.15),
    "IV": CementType(0.6, 1.5),
}
"""Types of Portland cement after ASTM C150. Xi, Bažant and Jennings 1994."""


@overload
def paste_water_content(  # type: ignore[overload-overlap]
    pore_humidity: float,
    water_cement_ratio: float,
    *,
    age_days: float = 28.0,
    temperature_c: float = 25.0,
    cement: str = "I",
) -> float: ...
@overload
def paste_water_content(
    pore_humidity: FloatOrArray,
    water_cement_ratio: FloatOrArray,
    *,
    age_days: float = 28.0,
    temperature_c: float = 25.0,
    cement: str = "I",
) -> Array: ...
def paste_water_content(
    pore_humidity: FloatOrArray,
    water_cement_ratio: FloatOrArray,
    *,
    age_days: float = 28.0,
    temperature_c: float = 25.0,
    cement: str = "I",
) -> FloatOrArray:
    """Evaporable water of hardened cement paste in equilibrium with a humidity (BSB isotherm).

    Parameters
    ----------
    pore_humidity : Relative humidity in the pores, as a ratio. [no unit] Range 0..1.
    water_cement_ratio : Water-cement ratio of the mix. [no unit] Range 0.3..0.7.
    age_days : Age of the paste. [days] Range 5..36 500.
    temperature_c : Temperature. [°C] Range 0..60.
    cement : Type of Portland cement. [word] Range "I", "II", "III", "IV".

    Returns
    -------
    Water held. [g/g of cement]

    Raises
    ------
    PhysicsRangeError : a value outside its range, an unknown cement, or a lone NaN.

    Source
    ------
    Xi, Bažant and Jennings 1994 (Adv. Cem. Based Mater. 1:248): the BSB isotherm, a three-parameter BET form,
    with their fits for capacity, layers and C = exp(855/T). Desorption is meant; adsorption holds less.
    """
    humidity = in_range("pore_humidity", pore_humidity, 0.0, 1.0, "(ratio)")
    ratio = in_range("water_cement_ratio", water_cement_ratio, 0.3, 0.7, "")
    age = float(in_range("age_days", age_days, 5.0, 36_500.0, "days"))
    kelvin = float(in_range("temperature_c", temperature_c, 0.0, 60.0, "°C")) + ZERO_CELSIUS_K
    kind = CEMENTS[choice("cement", cement, tuple(CEMENTS))]
    c = math.exp(855.0 / kelvin)
    capacity = (0.068 - 0.22 / age) * (0.85 + 0.45 * ratio) * kind.capacity
    layers = (2.5 + 15.0 / age) * (0.33 + 2.2 * ratio) * kind.layers
    k = ((1.0 - 1.0 / layers) * c - 1.0) / (c - 1.0)
    kh = k * humidity
    return c * k * capacity * humidity / ((1.0 - kh) * (1.0 + (c - 1.0) * kh))
