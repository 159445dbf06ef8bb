"""Moist air: the one door to its measures, and its energy, volume and pressure.

Every function takes floats or arrays, broadcasts them, and gives a float for floats. A missing value in an array
is NaN and stays NaN; a NaN that stands alone is refused.
"""

from __future__ import annotations

from monitord.physics.constants import STANDARD_PRESSURE_PA
from monitord.physics.humidity import (
    humidity_ratio,
    relative_humidity,
    vapour_pressure,
)
from monitord.physics.numeric import N, in_range
from monitord.physics.saturation import (
    dew_or_frost_point,
    dew_point,
    saturation_slope,
    saturation_vapour_pressure,
)
from monitord.physics.wet_bulb import wet_bulb

__all__ = [
    "dew_or_frost_point",
    "dew_point",
    "humidity_ratio",
    "relative_humidity",
    "saturation_slope",
    "saturation_vapour_pressure",
    "standard_pressure",
    "vapour_pressure",
    "wet_bulb",
]


def standard_pressure(elevation_m: N) -> N:
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
    share: N = (1.0 - 2.25577e-5 * height) ** 5.2559
    return STANDARD_PRESSURE_PA * share
