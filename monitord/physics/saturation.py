"""Saturation over liquid water and over ice: pressure from temperature, and dew and frost point back from it."""

from __future__ import annotations

import math

import numpy as np

from monitord.physics.constants import TRIPLE_POINT_C, ZERO_CELSIUS_K
from monitord.physics.numeric import FloatOrArray, N, choice, exp, in_range, log

COLDEST_ICE_C, COLDEST_WATER_C, HOTTEST_C = -100.0, -80.0, 200.0

# WMO-No. 8 (2018), volume I, annex 4.B: Magnus form over water, e = 6.112 hPa·exp(17.62 t / (243.12 + t))
_MAGNUS_A, _MAGNUS_B = 17.62, 243.12


def _ln_liquid(kelvin: N, ln_kelvin: N | float) -> N:
    """ASHRAE 2017 ch. 1 eq. 6; Horner form."""
    return (
        -5.8002206e3 / kelvin
        + 1.3914993
        + kelvin * (-4.8640239e-2 + kelvin * (4.1764768e-5 - kelvin * 1.4452093e-8))
        + 6.5459673 * ln_kelvin
    )


def _slope_liquid(kelvin: N) -> N:
    """Derivative of `_ln_liquid`. [1/K]"""
    return (5.8002206e3 / kelvin + 6.5459673) / kelvin - 4.8640239e-2 + kelvin * (8.3529536e-5 - kelvin * 4.3356279e-8)


def _ln_ice(kelvin: N, ln_kelvin: N | float) -> N:
    """ASHRAE 2017 ch. 1 eq. 5; Horner form."""
    return (
        -5.6745359e3 / kelvin
        + 6.3925247
        + kelvin * (-9.677843e-3 + kelvin * (6.2215701e-7 + kelvin * (2.0747825e-9 - kelvin * 9.484024e-13)))
        + 4.1635019 * ln_kelvin
    )


def _slope_ice(kelvin: N) -> N:
    """Derivative of `_ln_ice`. [1/K]"""
    return (
        (5.6745359e3 / kelvin + 4.1635019) / kelvin
        - 9.677843e-3
        + kelvin * (1.24431402e-6 + kelvin * (6.2243475e-9 - kelvin * 3.7936096e-12))
    )


_TRIPLE_K = TRIPLE_POINT_C + ZERO_CELSIUS_K
_LN_TRIPLE = float(_ln_liquid(_TRIPLE_K, math.log(_TRIPLE_K)))

# Scales the Magnus form to meet eq. 6 at the triple point: 1.0000228, or 0.0003 K of dew point.
_MAGNUS_LN = _LN_TRIPLE - _MAGNUS_A * TRIPLE_POINT_C / (_MAGNUS_B + TRIPLE_POINT_C)


def _ln_supercooled(celsius: N) -> N:
    return _MAGNUS_LN + _MAGNUS_A * celsius / (_MAGNUS_B + celsius)


def _pressure_below(celsius: N, over: str) -> N:
    if over == "water":
        return exp(_ln_supercooled(celsius))
    kelvin = celsius + ZERO_CELSIUS_K
    return exp(_ln_ice(kelvin, log(kelvin)))


def _pressure_above(celsius: N) -> N:
    kelvin = celsius + ZERO_CELSIUS_K
    return exp(_ln_liquid(kelvin, log(kelvin)))


def _slope_below(celsius: N, over: str) -> N:
    if over == "water":
        return _MAGNUS_A * _MAGNUS_B / (_MAGNUS_B + celsius) ** 2
    return _slope_ice(celsius + ZERO_CELSIUS_K)


def _checked_temperature(temperature_c: N, over: str) -> N:
    choice("over", over, ("auto", "water", "ice"))
    high = TRIPLE_POINT_C if over == "ice" else HOTTEST_C
    low = COLDEST_WATER_C if over == "water" else COLDEST_ICE_C
    return in_range("temperature_c", temperature_c, low, high, "°C")


def saturation_vapour_pressure(temperature_c: N, over: str = "auto") -> N:
    """Vapour pressure of pure water in equilibrium with its liquid or its ice.

    Parameters
    ----------
    temperature_c : Temperature of the water or the ice. [°C] Range -100..200 (auto), -80..200 (water),
        -100..0.01 (ice).
    over : "auto": ice below the triple point 0.01 °C, liquid from there on (ASHRAE's way); "water": liquid also
        below (supercooled, the meteorological convention for relative humidity); "ice".

    Returns
    -------
    Saturation vapour pressure. [Pa]

    Raises
    ------
    PhysicsRangeError : temperature outside the range, a lone NaN, or an unknown `over`.

    Source
    ------
    ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 5 (ice, -100..0) and eq. 6 (liquid, 0..200), after Hyland and
    Wexler 1983; within 0.035 % of IAPWS over -40..60 °C. The equations are joined at 0.01 °C, where they meet,
    not at the handbook's 0 °C, which leaves a jump. Liquid below 0.01 °C: WMO-No. 8 (2018) vol. I annex 4.B,
    Magnus form, stated for -45..60 °C; multiplied by 1.000023 so that it meets eq. 6; used down to -80 °C, where
    it lies within 0.6 % (to -40 °C) and 2.8 % (to -80 °C) of Murphy and Koop 2005 eq. 10.
    """
    celsius = _checked_temperature(temperature_c, over)
    if not isinstance(celsius, np.ndarray):
        return _pressure_above(celsius) if celsius >= TRIPLE_POINT_C else _pressure_below(celsius, over)
    below = celsius < TRIPLE_POINT_C
    if not below.any():
        return _pressure_above(celsius)
    if below.all():
        return _pressure_below(celsius, over)
    above = ~below
    result = np.empty_like(celsius)
    result[below] = _pressure_below(celsius[below], over)
    result[above] = _pressure_above(celsius[above])
    return result


def saturation_slope(temperature_c: N, over: str = "auto") -> N:
    """Relative change of the saturation vapour pressure with temperature, d(ln p_ws)/dT.

    Parameters
    ----------
    temperature_c : Temperature of the water or the ice. [°C] Range as `saturation_vapour_pressure`.
    over : "auto", "water" or "ice", as there.

    Returns
    -------
    Relative slope. [1/K]

    Raises
    ------
    PhysicsRangeError : temperature outside the range, a lone NaN, or an unknown `over`.

    Source
    ------
    Analytic derivative of the equations of `saturation_vapour_pressure` (ASHRAE Handbook—Fundamentals 2017,
    ch. 1 eqs. 5 and 6; WMO-No. 8 (2018) annex 4.B).
    """
    celsius = _checked_temperature(temperature_c, over)
    if not isinstance(celsius, np.ndarray):
        above = celsius >= TRIPLE_POINT_C
        return _slope_liquid(celsius + ZERO_CELSIUS_K) if above else _slope_below(celsius, over)
    below = celsius < TRIPLE_POINT_C
    if not below.any():
        return _slope_liquid(celsius + ZERO_CELSIUS_K)
    return np.where(below, _slope_below(celsius, over), _slope_liquid(celsius + ZERO_CELSIUS_K))


# ends of the ranges of pressure, widened by rounding error so that the ends of the temperature ranges invert
_LOWEST_WATER_PA = float(_pressure_below(COLDEST_WATER_C, "water")) * (1.0 - 1e-12)
_LOWEST_ICE_PA = float(_pressure_below(COLDEST_ICE_C, "ice")) * (1.0 - 1e-12)
_HIGHEST_PA = float(_pressure_above(HOTTEST_C)) * (1.0 + 1e-12)
_TEMPERATE_PA = 20_000.0


def _dew_above(ln_p: N, steps: int) -> N:
    """Invert eq. 6: a Magnus start, then Newton steps on ln p (two reach 1e-12 K to 60 °C, three to 200 °C)."""
    x = ln_p - _MAGNUS_LN
    kelvin = _MAGNUS_B * x / (_MAGNUS_A - x) + ZERO_CELSIUS_K
    for _ in range(steps):
        kelvin = kelvin - (_ln_liquid(kelvin, log(kelvin)) - ln_p) / _slope_liquid(kelvin)
    return kelvin - ZERO_CELSIUS_K


def _dew_supercooled(ln_p: N) -> N:
    x = ln_p - _MAGNUS_LN
    return _MAGNUS_B * x / (_MAGNUS_A - x)


def _frost(ln_p: N) -> N:
    """Invert eq. 5: the WMO Magnus form over ice as a start, then two Newton steps (1e-10 K)."""
    x = ln_p - _LN_TRIPLE
    kelvin = 272.62 * x / (22.46 - x) + ZERO_CELSIUS_K
    for _ in range(2):
        kelvin = kelvin - (_ln_ice(kelvin, log(kelvin)) - ln_p) / _slope_ice(kelvin)
    return kelvin - ZERO_CELSIUS_K


def _steps(pressure_pa: FloatOrArray) -> int:
    highest = np.max(pressure_pa, initial=0.0) if isinstance(pressure_pa, np.ndarray) else pressure_pa
    return 2 if highest < _TEMPERATE_PA else 3


def _invert(pressure_pa: N, ice: bool) -> N:
    ln_p = log(pressure_pa)
    if not isinstance(ln_p, np.ndarray):
        if ln_p >= _LN_TRIPLE:
            return _dew_above(ln_p, _steps(pressure_pa))
        return _frost(ln_p) if ice else _dew_supercooled(ln_p)
    below = ln_p < _LN_TRIPLE
    if not below.any():
        return _dew_above(ln_p, _steps(pressure_pa))
    if below.all():
        return _frost(ln_p) if ice else _dew_supercooled(ln_p)
    above = ~below
    result = np.empty_like(ln_p)
    result[below] = _frost(ln_p[below]) if ice else _dew_supercooled(ln_p[below])
    result[above] = _dew_above(ln_p[above], _steps(pressure_pa))
    return result


def dew_point(vapour_pressure_pa: N) -> N:
    """Dew point over liquid water, also below 0 °C (supercooled).

    Parameters
    ----------
    vapour_pressure_pa : Partial pressure of water vapour. [Pa] Range 0.108..1.555E6 (dew points -80..200 °C).

    Returns
    -------
    Temperature at which the vapour would saturate over liquid. [°C] Not limited to any air temperature.

    Raises
    ------
    PhysicsRangeError : pressure outside the range (0 Pa has no dew point), or a lone NaN.

    Source
    ------
    Inverse of `saturation_vapour_pressure` over "water" (ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 6;
    WMO-No. 8 (2018) annex 4.B below 0.01 °C). It inverts those equations themselves to 1E-9 K; the handbook's
    own regressions for dew point (eqs. 37 and 38) differ from them.
    """
    pressure = in_range("vapour_pressure_pa", vapour_pressure_pa, _LOWEST_WATER_PA, _HIGHEST_PA, "Pa")
    return _invert(pressure, ice=False)


def dew_or_frost_point(vapour_pressure_pa: N) -> N:
    """Temperature at which the air's vapour settles on a surface: as frost below 0.01 °C, as dew from there on.

    Parameters
    ----------
    vapour_pressure_pa : Partial pressure of water vapour. [Pa] Range 0.00141..1.555E6 (-100..200 °C).

    Returns
    -------
    Dew or frost point, the dew-point temperature of ASHRAE's chapter. [°C]

    Raises
    ------
    PhysicsRangeError : pressure outside the range (0 Pa has no dew point), or a lone NaN.

    Source
    ------
    Inverse of `saturation_vapour_pressure` over "auto" (ASHRAE Handbook—Fundamentals 2017, ch. 1 eqs. 5 and 6).
    """
    pressure = in_range("vapour_pressure_pa", vapour_pressure_pa, _LOWEST_ICE_PA, _HIGHEST_PA, "Pa")
    return _invert(pressure, ice=True)
