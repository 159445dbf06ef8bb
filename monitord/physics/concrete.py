"""Concrete: how moisture moves in it with humidity and temperature, and what a sealed hole reads when they change.

The humidity of concrete's pores is a ratio, `pore_humidity` (0..1, the h of the literature), so that a percentage
given by mistake is refused. Readings of a probe are in percent as everywhere.
"""

from __future__ import annotations

import numpy as np

from monitord.physics.constants import MAX_RELATIVE_HUMIDITY_PCT, ZERO_CELSIUS_K
from monitord.physics.numeric import Array, N, exp, in_range

ALPHA, HC, N_EXPONENT = 0.05, 0.80, 15.0
"""Parameters of the diffusivity: least share, humidity of its middle, steepness. [no unit] fib Model Code 2010."""

TYPICAL_DIFFUSIVITY_M2_S = 3.5e-10
"""Diffusivity of an ordinary saturated concrete at 25 °C (1E-8/fck, fck about 28 MPa). [m²/s]"""

ACTIVATION_K = 2700.0
"""Activation energy over the gas constant for moisture diffusion in concrete. [K] After Bažant and Najjar 1972."""

_HYGROTHERMIC = 0.0135
_HALVINGS = 50


def _pore(pore_humidity: N) -> N:
    return in_range("pore_humidity", pore_humidity, 0.0, MAX_RELATIVE_HUMIDITY_PCT / 100.0, "(ratio)")


def _saturated_at_most(humidity: N) -> N:
    return np.minimum(humidity, 1.0) if isinstance(humidity, np.ndarray) else min(humidity, 1.0)


def relative_diffusivity(pore_humidity: N) -> N:
    """Moisture diffusivity of concrete as a share of its value when saturated.

    Parameters
    ----------
    pore_humidity : Relative humidity in the pores, as a ratio. [no unit] Range 0..1.05; above 1 as at 1.

    Returns
    -------
    D(h)/D(1). [no unit] From 0.05 when dry to 1; it falls twenty-fold between 0.9 and 0.6, centred on 0.8.

    Raises
    ------
    PhysicsRangeError : a humidity outside the range (a percentage, say), or a lone NaN.

    Source
    ------
    Bažant and Najjar 1972 (Mater. Struct. 5:3); parameters α 0.05, hc 0.80, n 15 of CEB-FIP Model Code 90
    and fib Model Code 2010. Above 1, a supersaturated reading, the curve is flat by our choice.
    """
    humidity = _pore(pore_humidity)
    lack = 1.0 - _saturated_at_most(humidity)
    share: N = (lack / (1.0 - HC)) ** N_EXPONENT
    return ALPHA + (1.0 - ALPHA) / (1.0 + share)


def diffusivity_temperature_factor(temperature_c: N) -> N:
    """Moisture diffusivity of concrete at a temperature as a share of that at 25 °C.

    Parameters
    ----------
    temperature_c : Temperature of the concrete. [°C] Range -20..80; below 0 °C, where pore water freezes,
        extrapolated.

    Returns
    -------
    D(T)/D(25 °C). [no unit]

    Raises
    ------
    PhysicsRangeError : temperature outside the range, or a lone NaN.

    Source
    ------
    Arrhenius form exp(2700 (1/298.15 - 1/T)), after Bažant and Najjar 1972; without their factor T/T0, which is
    within 7 % of 1 here.
    """
    kelvin = in_range("temperature_c", temperature_c, -20.0, 80.0, "°C") + ZERO_CELSIUS_K
    return exp(ACTIVATION_K * (1.0 / 298.15 - 1.0 / kelvin))


def sealed_humidity_slope(pore_humidity: N) -> N:
    """Rise of the pore humidity of sealed concrete with temperature, at constant moisture content.

    Parameters
    ----------
    pore_humidity : Relative humidity in the pores, as a ratio. [no unit] Range 0..1.05; above 1 as at 1.

    Returns
    -------
    ∂h/∂T at constant moisture. [1/K] Times 100 it is %RH per kelvin: +0.2 to +0.5.

    Raises
    ------
    PhysicsRangeError : a humidity outside the range, or a lone NaN.

    Source
    ------
    Bažant and Najjar 1972: 0.0135 h (1-h)/(1.25-h); check the constant in the paper before relying on it.
    A supersaturated reading is taken as saturated by our choice, where the slope is 0.
    """
    humidity = _saturated_at_most(_pore(pore_humidity))
    return _HYGROTHERMIC * humidity * (1.0 - humidity) / (1.25 - humidity)


def sealed_hole_humidity(relative_humidity_pct: N, from_c: N | float, to_c: N | float) -> N:
    """What a sealed hole in concrete would read at another temperature, its moisture unchanged.

    Parameters
    ----------
    relative_humidity_pct : Relative humidity in the hole. [%] Range 0..105; from 100 on it stays as it is.
    from_c : Temperature at which it was read. [°C] Range -20..80.
    to_c : Temperature to bring it to. [°C] Range -20..80.

    Returns
    -------
    Relative humidity at `to_c`. [%] Higher where warmer: the opposite of an inert void.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    `sealed_humidity_slope` (Bažant and Najjar 1972) integrated: 1.25 ln h - 0.25 ln(1-h) grows by 0.0135 per K;
    solved by bisection to 1E-12.
    """
    reading = in_range("relative_humidity_pct", relative_humidity_pct, 0.0, MAX_RELATIVE_HUMIDITY_PCT, "%")
    warming = in_range("to_c", to_c, -20.0, 80.0, "°C") - in_range("from_c", from_c, -20.0, 80.0, "°C")
    h, dt = np.broadcast_arrays(np.asarray(reading) / 100.0, np.asarray(warming))
    fixed = (h == 0.0) | (h >= 1.0)  # bone dry and saturated stay so
    inside = np.where(fixed, 0.5, h)
    goal = np.nan_to_num(_sealed_potential(inside) + _HYGROTHERMIC * dt)
    low, high = np.zeros(h.shape), np.ones(h.shape)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = _sealed_potential(middle) > goal
        high = np.where(above, middle, high)
        low = np.where(above, low, middle)
    result = np.where(fixed, 100.0 * h, np.where(np.isnan(h + dt), np.nan, 50.0 * (low + high)))
    return result if isinstance(reading, np.ndarray) or isinstance(warming, np.ndarray) else float(result)


def _sealed_potential(h: Array) -> Array:
    """Integral of (1.25 - h) / (h (1 - h)): grows by the hygrothermic constant per kelvin in sealed concrete."""
    return 1.25 * np.log(h) - 0.25 * np.log1p(-h)
