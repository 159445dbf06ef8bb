"""Thermodynamic wet-bulb temperature: forward by ASHRAE's energy balance, backward by Newton's method."""

from __future__ import annotations

from typing import cast

import numpy as np

from monitord.errors import PhysicsRangeError
from monitord.physics.constants import MASS_RATIO
from monitord.physics.humidity import humidity_ratio, vapour_pressure
from monitord.physics.numeric import Array, N, checked_pressure, in_range
from monitord.physics.saturation import dew_point, saturation_slope, saturation_vapour_pressure

_COLDEST_C, _HOTTEST_C = -80.0, 90.0
_LARGEST_STEP_K = 1e-9


def _balance(dry_c: Array, bulb_c: Array, saturated: Array, ice: bool) -> tuple[Array, Array]:
    """Denominator and numerator of ASHRAE eq. 33 (wetted bulb) or 35 (iced bulb): W = numerator / denominator."""
    if ice:
        top = (2830.0 - 0.24 * bulb_c) * saturated - 1.006 * (dry_c - bulb_c)
        return 2830.0 + 1.86 * dry_c - 2.1 * bulb_c, top
    top = (2501.0 - 2.326 * bulb_c) * saturated - 1.006 * (dry_c - bulb_c)
    return 2501.0 + 1.86 * dry_c - 4.186 * bulb_c, top


def _ratio_of_bulb(dry_c: Array, bulb_c: Array, pressure: Array, ice: bool) -> tuple[Array, Array]:
    """Humidity ratio that a bulb temperature means, and its slope against the bulb temperature. [kg/kg, 1/K]"""
    over = "auto" if ice else "water"
    p_ws = saturation_vapour_pressure(bulb_c, over)
    saturated = MASS_RATIO * p_ws / (pressure - p_ws)
    growth = saturated * saturation_slope(bulb_c, over) * pressure / (pressure - p_ws)
    bottom, top = _balance(dry_c, bulb_c, saturated, ice)
    latent, latent_slope, bottom_slope = (
        (2830.0 - 0.24 * bulb_c, -0.24, -2.1) if ice else (2501.0 - 2.326 * bulb_c, -2.326, -4.186)
    )
    ratio = top / bottom
    top_slope = latent * growth + latent_slope * saturated + 1.006
    return ratio, (top_slope - ratio * bottom_slope) / bottom


def _solve(dry: Array, ratio: Array, pressure: Array, start: Array, ice: bool) -> Array:
    """Newton's method from above on a rising convex function: it closes in from one side and cannot run away."""
    bulb = start
    for _ in range(50):
        guess, slope = _ratio_of_bulb(dry, bulb, pressure, ice)
        step = (guess - ratio) / slope
        bulb = bulb - step
        if not np.any(np.abs(step) > _LARGEST_STEP_K):
            return bulb
    raise PhysicsRangeError("the wet bulb was not found in 50 steps", why="Newton's method did not settle")


def wet_bulb(
    temperature_c: N,
    relative_humidity_pct: N | float,
    pressure_pa: N | float,
    humidity_over: str = "water",
) -> N:
    """Thermodynamic wet-bulb temperature.

    Parameters
    ----------
    temperature_c : Dry-bulb temperature. [°C] Range -60..80.
    relative_humidity_pct : Relative humidity. [%] Range 0..105; above saturation the result lies a little above
        the dry bulb.
    pressure_pa : Air pressure. [Pa] Range 20 000..120 000, such that vapour is at most 90 % of it.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Wet-bulb temperature, of an iced bulb where it lies below 0 °C. [°C]

    Raises
    ------
    PhysicsRangeError : a value outside its range, a lone NaN, or an unknown `humidity_over`.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eqs. 33 and 35, solved for the wet bulb to 1E-9 K. The two equations
    overlap around 0 °C: for some states both a wetted bulb a little above 0 °C and an iced one a little below
    fulfil them; we take the wetted bulb, since water does not freeze above 0 °C.
    """
    celsius = in_range("temperature_c", temperature_c, -60.0, 80.0, "°C")
    air_pressure = checked_pressure(pressure_pa)
    vapour = vapour_pressure(celsius, relative_humidity_pct, humidity_over)
    dry, ratio, pressure = np.broadcast_arrays(celsius, humidity_ratio(vapour, air_pressure), air_pressure)
    at_zero, _ = _ratio_of_bulb(dry, np.zeros_like(dry), pressure, ice=False)
    wetted = ratio >= at_zero
    result = np.full(dry.shape, np.nan)
    for chosen, ice in ((wetted, False), (~wetted & ~np.isnan(ratio), True)):
        if chosen.any():
            t = dry[chosen]
            start = np.minimum(t, 0.0) if ice else np.minimum(t, dew_point(0.95 * pressure[chosen]))
            result[chosen] = _solve(t, ratio[chosen], pressure[chosen], start, ice)
    scalar = not any(isinstance(q, np.ndarray) for q in (celsius, vapour, air_pressure))
    return cast("N", float(result) if scalar else result)
