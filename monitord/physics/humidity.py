"""Measures of the water in air: vapour pressure, relative humidity, humidity ratio, absolute humidity."""

from __future__ import annotations

import numpy as np

from monitord.physics.constants import (
    MASS_RATIO,
    MAX_RELATIVE_HUMIDITY_PCT,
)
from monitord.physics.numeric import (
    HIGHEST_PRESSURE_PA,
    N,
    checked_pressure,
    in_range,
    over_of,
    require,
)
from monitord.physics.saturation import saturation_vapour_pressure


def vapour_pressure(temperature_c: N, relative_humidity_pct: N | float, humidity_over: str = "water") -> N:
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


def relative_humidity(temperature_c: N, vapour_pressure_pa: N | float, humidity_over: str = "water") -> N:
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


def humidity_ratio(vapour_pressure_pa: N, pressure_pa: N | float) -> N:
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
