"""Moist air: the one door to its measures, and its energy, volume and pressure.

Every function takes floats or arrays, broadcasts them, and gives a float for floats. A missing value in an array
is NaN and stays NaN; a NaN that stands alone is refused.
"""

from __future__ import annotations

from typing import overload

from monitord.physics.constants import R_DRY_AIR, STANDARD_PRESSURE_PA, ZERO_CELSIUS_K
from monitord.physics.humidity import (
    absolute_humidity,
    grains_per_pound,
    humidity_ratio,
    relative_humidity,
    specific_humidity,
    vapour_pressure,
    vapour_pressure_from_humidity_ratio,
)
from monitord.physics.numeric import Array, FloatOrArray, checked_pressure, in_range
from monitord.physics.saturation import (
    dew_or_frost_point,
    dew_point,
    frost_point,
    saturation_slope,
    saturation_vapour_pressure,
)
from monitord.physics.wet_bulb import humidity_ratio_from_wet_bulb, wet_bulb

__all__ = [
    "absolute_humidity",
    "dew_or_frost_point",
    "dew_point",
    "enthalpy",
    "frost_point",
    "grains_per_pound",
    "humidity_ratio",
    "humidity_ratio_from_wet_bulb",
    "relative_humidity",
    "saturation_slope",
    "saturation_vapour_pressure",
    "specific_humidity",
    "specific_volume",
    "standard_pressure",
    "vapour_pressure",
    "vapour_pressure_from_humidity_ratio",
    "wet_bulb",
]


@overload
def enthalpy(temperature_c: float, humidity_ratio_kg_kg: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def enthalpy(temperature_c: FloatOrArray, humidity_ratio_kg_kg: FloatOrArray) -> Array: ...
def enthalpy(temperature_c: FloatOrArray, humidity_ratio_kg_kg: FloatOrArray) -> FloatOrArray:
    """Enthalpy of moist air per mass of dry air, zero for dry air and liquid water at 0 °C.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -100..200.
    humidity_ratio_kg_kg : Humidity ratio. [kg/kg of dry air] Range 0..10.

    Returns
    -------
    Specific enthalpy. [J/kg of dry air]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 30 (there in kJ).
    """
    celsius = in_range("temperature_c", temperature_c, -100.0, 200.0, "°C")
    ratio = in_range("humidity_ratio_kg_kg", humidity_ratio_kg_kg, 0.0, 10.0, "kg/kg")
    return 1000.0 * (1.006 * celsius + ratio * (2501.0 + 1.86 * celsius))


@overload
def specific_volume(  # type: ignore[overload-overlap]
    temperature_c: float, humidity_ratio_kg_kg: float, pressure_pa: float
) -> float: ...
@overload
def specific_volume(
    temperature_c: FloatOrArray, humidity_ratio_kg_kg: FloatOrArray, pressure_pa: FloatOrArray
) -> Array: ...
def specific_volume(
    temperature_c: FloatOrArray, humidity_ratio_kg_kg: FloatOrArray, pressure_pa: FloatOrArray
) -> FloatOrArray:
    """Volume of moist air per mass of dry air.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -100..200.
    humidity_ratio_kg_kg : Humidity ratio. [kg/kg of dry air] Range 0..10.
    pressure_pa : Air pressure. [Pa] Range 20 000..120 000.

    Returns
    -------
    Specific volume. [m³/kg of dry air]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 26.
    """
    kelvin = in_range("temperature_c", temperature_c, -100.0, 200.0, "°C") + ZERO_CELSIUS_K
    ratio = in_range("humidity_ratio_kg_kg", humidity_ratio_kg_kg, 0.0, 10.0, "kg/kg")
    return R_DRY_AIR * kelvin * (1.0 + 1.607858 * ratio) / checked_pressure(pressure_pa)


@overload
def standard_pressure(elevation_m: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def standard_pressure(elevation_m: FloatOrArray) -> Array: ...
def standard_pressure(elevation_m: FloatOrArray) -> FloatOrArray:
    """Pressure of the standard atmosphere at an elevation.

    Parameters
    ----------
    elevation_m : Elevation above sea level. [m] Range -1000..11 000.

    Returns
    -------
    Air pressure. [Pa] Weather moves the true pressure by some ± 3 %.

    Raises
    ------
    PhysicsRangeError : elevation outside the range, or a lone NaN.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 3, there given for -5000..11 000 m; narrowed below, so that the
    result stays in the range of pressure of the other functions.
    """
    height = in_range("elevation_m", elevation_m, -1000.0, 11_000.0, "m")
    return STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * height) ** 5.2559
