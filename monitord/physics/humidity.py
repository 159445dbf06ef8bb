"""Measures of the water in air: vapour pressure, relative humidity, humidity ratio, absolute humidity."""

from __future__ import annotations

from typing import overload

import numpy as np

from monitord.physics.constants import (
    GRAINS_PER_POUND,
    MASS_RATIO,
    MAX_RELATIVE_HUMIDITY_PCT,
    R_VAPOUR,
    ZERO_CELSIUS_K,
)
from monitord.physics.numeric import (
    HIGHEST_PRESSURE_PA,
    Array,
    FloatOrArray,
    checked_pressure,
    in_range,
    over_of,
    require,
)
from monitord.physics.saturation import saturation_vapour_pressure

_HIGHEST_RATIO = 10.0


@overload
def vapour_pressure(  # type: ignore[overload-overlap]
    temperature_c: float, relative_humidity_pct: float, humidity_over: str = "water"
) -> float: ...
@overload
def vapour_pressure(
    temperature_c: FloatOrArray, relative_humidity_pct: FloatOrArray, humidity_over: str = "water"
) -> Array: ...
def vapour_pressure(
    temperature_c: FloatOrArray, relative_humidity_pct: FloatOrArray, humidity_over: str = "water"
) -> FloatOrArray:
    """Partial pressure of water vapour in air of known temperature and relative humidity.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -80..200 (water), -100..200 (ice).
    relative_humidity_pct : Relative humidity. [%] Range 0..105; a reading above 100 is computed as it is.
    humidity_over : Whether the relative humidity below 0.01 °C is over "water" (as meteorology and most probes
        report it) or over "ice" (as ASHRAE's equations take it). The two differ by up to 2.8 K of dew point.

    Returns
    -------
    Vapour pressure. [Pa]

    Raises
    ------
    PhysicsRangeError : a value outside its range, a lone NaN, or an unknown `humidity_over`.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 12 (relative humidity) with eqs. 5 and 6; ideal gas, so without
    the enhancement factor: p_w lies up to 0.54 % below real moist air over -20..50 °C.
    """
    share = in_range("relative_humidity_pct", relative_humidity_pct, 0.0, MAX_RELATIVE_HUMIDITY_PCT, "%") / 100.0
    return share * saturation_vapour_pressure(temperature_c, over_of(humidity_over))


@overload
def relative_humidity(  # type: ignore[overload-overlap]
    temperature_c: float, vapour_pressure_pa: float, humidity_over: str = "water"
) -> float: ...
@overload
def relative_humidity(
    temperature_c: FloatOrArray, vapour_pressure_pa: FloatOrArray, humidity_over: str = "water"
) -> Array: ...
def relative_humidity(
    temperature_c: FloatOrArray, vapour_pressure_pa: FloatOrArray, humidity_over: str = "water"
) -> FloatOrArray:
    """Relative humidity that vapour of a given pressure has at a temperature; the inverse of `vapour_pressure`.

    Parameters
    ----------
    temperature_c : Temperature at which the vapour is. [°C] Range -80..200 (water), -100..200 (ice).
    vapour_pressure_pa : Partial pressure of water vapour. [Pa] Range 0..1.7E6.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Relative humidity. [%] Not limited: above 100 means that the vapour would condense at this temperature.

    Raises
    ------
    PhysicsRangeError : a value outside its range, a lone NaN, or an unknown `humidity_over`.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 12.
    """
    pressure = in_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 1.7e6, "Pa")
    return 100.0 * pressure / saturation_vapour_pressure(temperature_c, over_of(humidity_over))


@overload
def humidity_ratio(vapour_pressure_pa: float, pressure_pa: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def humidity_ratio(vapour_pressure_pa: FloatOrArray, pressure_pa: FloatOrArray) -> Array: ...
def humidity_ratio(vapour_pressure_pa: FloatOrArray, pressure_pa: FloatOrArray) -> FloatOrArray:
    """Mass of water vapour per mass of dry air.

    Parameters
    ----------
    vapour_pressure_pa : Partial pressure of water vapour. [Pa] Range 0..90 % of `pressure_pa`.
    pressure_pa : Air pressure. [Pa] Range 20 000..120 000.

    Returns
    -------
    Humidity ratio. [kg/kg of dry air]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 20. Ideal gas: 0.4 to 0.6 % below the handbook's table at
    saturation. No lower limit is put on the result.
    """
    pressure = checked_pressure(pressure_pa)
    vapour = in_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, HIGHEST_PRESSURE_PA, "Pa")
    dry = pressure - vapour
    require(
        ~(np.asarray(dry) < 0.1 * pressure),
        "the vapour pressure is more than 90 % of the air pressure",
        "air of a building holds far less vapour; the ratio grows without limit there",
    )
    return MASS_RATIO * vapour / dry


@overload
def vapour_pressure_from_humidity_ratio(  # type: ignore[overload-overlap]
    humidity_ratio_kg_kg: float, pressure_pa: float
) -> float: ...
@overload
def vapour_pressure_from_humidity_ratio(humidity_ratio_kg_kg: FloatOrArray, pressure_pa: FloatOrArray) -> Array: ...
def vapour_pressure_from_humidity_ratio(humidity_ratio_kg_kg: FloatOrArray, pressure_pa: FloatOrArray) -> FloatOrArray:
    """Vapour pressure of air of known humidity ratio; the inverse of `humidity_ratio`.

    Parameters
    ----------
    humidity_ratio_kg_kg : Mass of water vapour per mass of dry air. [kg/kg] Range 0..10.
    pressure_pa : Air pressure. [Pa] Range 20 000..120 000.

    Returns
    -------
    Vapour pressure. [Pa]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 20, solved for the vapour pressure (eq. 36).
    """
    ratio = in_range("humidity_ratio_kg_kg", humidity_ratio_kg_kg, 0.0, _HIGHEST_RATIO, "kg/kg")
    return checked_pressure(pressure_pa) * ratio / (MASS_RATIO + ratio)


@overload
def specific_humidity(humidity_ratio_kg_kg: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def specific_humidity(humidity_ratio_kg_kg: FloatOrArray) -> Array: ...
def specific_humidity(humidity_ratio_kg_kg: FloatOrArray) -> FloatOrArray:
    """Mass of water vapour per mass of moist air.

    Parameters
    ----------
    humidity_ratio_kg_kg : Mass of water vapour per mass of dry air. [kg/kg] Range 0..10.

    Returns
    -------
    Specific humidity. [kg/kg of moist air]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 9.
    """
    ratio = in_range("humidity_ratio_kg_kg", humidity_ratio_kg_kg, 0.0, _HIGHEST_RATIO, "kg/kg")
    return ratio / (1.0 + ratio)


@overload
def absolute_humidity(  # type: ignore[overload-overlap]
    temperature_c: float, vapour_pressure_pa: float
) -> float: ...
@overload
def absolute_humidity(temperature_c: FloatOrArray, vapour_pressure_pa: FloatOrArray) -> Array: ...
def absolute_humidity(temperature_c: FloatOrArray, vapour_pressure_pa: FloatOrArray) -> FloatOrArray:
    """Mass of water vapour per volume of air.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -100..200.
    vapour_pressure_pa : Partial pressure of water vapour. [Pa] Range 0..1.7E6.

    Returns
    -------
    Absolute humidity. [kg/m³]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Ideal gas law, ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 11 with the gas constant of water vapour,
    461.5 J/(kg·K) (EN ISO 13788 rounds it to 462).
    """
    kelvin = in_range("temperature_c", temperature_c, -100.0, 200.0, "°C") + ZERO_CELSIUS_K
    vapour = in_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 1.7e6, "Pa")
    return vapour / (R_VAPOUR * kelvin)


@overload
def grains_per_pound(humidity_ratio_kg_kg: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def grains_per_pound(humidity_ratio_kg_kg: FloatOrArray) -> Array: ...
def grains_per_pound(humidity_ratio_kg_kg: FloatOrArray) -> FloatOrArray:
    """Humidity ratio in grains of water per pound of dry air.

    Parameters
    ----------
    humidity_ratio_kg_kg : Humidity ratio, or a difference of two. [kg/kg] Range -10..10.

    Returns
    -------
    Grains per pound. [gr/lb]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Exact by definition: 7000 grains are one avoirdupois pound.
    """
    ratio = in_range("humidity_ratio_kg_kg", humidity_ratio_kg_kg, -_HIGHEST_RATIO, _HIGHEST_RATIO, "kg/kg")
    return GRAINS_PER_POUND * ratio
