"""Standard uncertainties (k = 1) propagated by the law of JCGM 100:2008, 5.1.2, inputs independent."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from monitord.physics.constants import MASS_RATIO, MAX_RELATIVE_HUMIDITY_PCT
from monitord.physics.humidity import humidity_ratio, vapour_pressure
from monitord.physics.numeric import N, checked_pressure, in_range, over_of, sqrt
from monitord.physics.saturation import dew_or_frost_point, dew_point, saturation_slope, saturation_vapour_pressure

_INFINITE = math.inf


def rectangular(limit: N) -> N:
    """Standard uncertainty of a quantity known to lie within ± a limit, every value being as likely.

    Parameters
    ----------
    limit : Half width, such as a maker's ± accuracy. [any unit] Range from 0.

    Returns
    -------
    Standard uncertainty. [unit of `limit`]

    Raises
    ------
    PhysicsRangeError : a negative limit, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 4.3.7 eq. 7: a/√3.
    """
    return in_range("limit", limit, 0.0, _INFINITE, "") / math.sqrt(3.0)


def _u(name: str, value: N, unit: str) -> N:
    return in_range(name, value, 0.0, _INFINITE, unit)


def _relative_u(
    temperature_c: N,
    relative_humidity_pct: N | float,
    u_temperature_k: N | float,
    u_relative_humidity_pct: N | float,
    over: str,
) -> N:
    """u(p_w)/p_w, for a relative humidity above 0."""
    by_t = saturation_slope(temperature_c, over) * _u("u_temperature_k", u_temperature_k, "K")
    by_rh = _u("u_relative_humidity_pct", u_relative_humidity_pct, "%") / relative_humidity_pct
    return sqrt(by_t * by_t + by_rh * by_rh)


def _vapour(
    temperature_c: N,
    relative_humidity_pct: N | float,
    u_temperature_k: N | float,
    u_relative_humidity_pct: N | float,
    humidity_over: str,
) -> tuple[N, N]:
    """Vapour pressure and its standard uncertainty, from one saturation pressure. [Pa]"""
    over = over_of(humidity_over)
    share = in_range("relative_humidity_pct", relative_humidity_pct, 0.0, MAX_RELATIVE_HUMIDITY_PCT, "%") / 100.0
    p_ws = saturation_vapour_pressure(temperature_c, over)
    by_t = share * saturation_slope(temperature_c, over) * _u("u_temperature_k", u_temperature_k, "K")
    by_rh = _u("u_relative_humidity_pct", u_relative_humidity_pct, "%") / 100.0
    return p_ws * share, p_ws * sqrt(by_t * by_t + by_rh * by_rh)


def u_vapour_pressure(
    temperature_c: N,
    relative_humidity_pct: N | float,
    u_temperature_k: N | float,
    u_relative_humidity_pct: N | float,
    humidity_over: str = "water",
) -> N:
    """Standard uncertainty of `vapour_pressure`.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -80..200 (water), -100..200 (ice).
    relative_humidity_pct : Relative humidity. [%] Range 0..105.
    u_temperature_k : Standard uncertainty of the temperature. [K] Range from 0.
    u_relative_humidity_pct : Standard uncertainty of the relative humidity. [%] Range from 0.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Standard uncertainty of the vapour pressure. [Pa]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10: u² = (p_w · d ln p_ws/dT · u_T)² + (p_ws/100 · u_RH)²; first order, which a Monte
    Carlo test holds to 1 % for the uncertainties of real probes.
    """
    _, u = _vapour(temperature_c, relative_humidity_pct, u_temperature_k, u_relative_humidity_pct, humidity_over)
    return u


def u_dew_point(
    temperature_c: N,
    relative_humidity_pct: N | float,
    u_temperature_k: N | float,
    u_relative_humidity_pct: N | float,
    humidity_over: str = "water",
) -> N:
    """Standard uncertainty of `dew_point` (over water) of air of measured temperature and relative humidity.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -80..200.
    relative_humidity_pct : Relative humidity. [%] Range above 0..105, such that the dew point is -80 °C or more.
    u_temperature_k : Standard uncertainty of the temperature. [K] Range from 0.
    u_relative_humidity_pct : Standard uncertainty of the relative humidity. [%] Range from 0.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Standard uncertainty of the dew point. [K]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10, through `u_vapour_pressure`: u(T_d) = u(p_w) / (p_w · d ln p_ws/dT at T_d).
    """
    slope = saturation_slope(dew_point(vapour_pressure(temperature_c, relative_humidity_pct, humidity_over)), "water")
    relative = _relative_u(
        temperature_c, relative_humidity_pct, u_temperature_k, u_relative_humidity_pct, over_of(humidity_over)
    )
    return relative / slope


def u_dew_or_frost_point(
    temperature_c: N,
    relative_humidity_pct: N | float,
    u_temperature_k: N | float,
    u_relative_humidity_pct: N | float,
    humidity_over: str = "water",
) -> N:
    """Standard uncertainty of `dew_or_frost_point`; a frost point moves less than a dew point (steeper curve).

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -80..200 (water), -100..200 (ice).
    relative_humidity_pct : Relative humidity. [%] Range above 0..105, such that the frost point is -100 °C or more.
    u_temperature_k : Standard uncertainty of the temperature. [K] Range from 0.
    u_relative_humidity_pct : Standard uncertainty of the relative humidity. [%] Range from 0.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Standard uncertainty of the dew or frost point. [K]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10, as `u_dew_point` with the slope over ice below 0.01 °C.
    """
    slope = saturation_slope(
        dew_or_frost_point(vapour_pressure(temperature_c, relative_humidity_pct, humidity_over)), "auto"
    )
    relative = _relative_u(
        temperature_c, relative_humidity_pct, u_temperature_k, u_relative_humidity_pct, over_of(humidity_over)
    )
    return relative / slope


def u_humidity_ratio(
    temperature_c: N,
    relative_humidity_pct: N | float,
    u_temperature_k: N | float,
    u_relative_humidity_pct: N | float,
    pressure_pa: N | float,
    u_pressure_pa: N | float = 0.0,
    humidity_over: str = "water",
) -> N:
    """Standard uncertainty of the humidity ratio of air of measured temperature and relative humidity.

    Parameters
    ----------
    temperature_c : Air temperature. [°C] Range -80..200 (water), -100..200 (ice).
    relative_humidity_pct : Relative humidity. [%] Range 0..105.
    u_temperature_k : Standard uncertainty of the temperature. [K] Range from 0.
    u_relative_humidity_pct : Standard uncertainty of the relative humidity. [%] Range from 0.
    pressure_pa : Air pressure. [Pa] Range 20 000..120 000.
    u_pressure_pa : Standard uncertainty of the air pressure. [Pa] Range from 0. It is common to two locations of
        one job, so it nearly cancels in a difference; that is why it is 0 unless given.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Standard uncertainty of the humidity ratio. [kg/kg of dry air]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10, with W of ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 20.
    """
    p_w, u = _vapour(temperature_c, relative_humidity_pct, u_temperature_k, u_relative_humidity_pct, humidity_over)
    pressure = checked_pressure(pressure_pa)
    ratio = humidity_ratio(p_w, pressure)
    dry = pressure - p_w
    by_vapour = MASS_RATIO * pressure / (dry * dry) * u
    by_pressure = ratio / dry * _u("u_pressure_pa", u_pressure_pa, "Pa")
    return sqrt(by_vapour * by_vapour + by_pressure * by_pressure)


def combine(u: N, *others: N | float) -> N:
    """Combined standard uncertainty of a sum or difference of independent quantities.

    Parameters
    ----------
    u, others : Standard uncertainties, all in one unit. [any unit] Range from 0.

    Returns
    -------
    Root of the sum of squares. [unit of `u`]

    Raises
    ------
    PhysicsRangeError : a negative one, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10 with sensitivities of ± 1.
    """
    first = _u("u", u, "")
    total: N = first * first
    for each in others:
        other = _u("u", each, "")
        total = total + other * other
    return sqrt(total)


def probability_below(value: N, u: N | float, limit: N | float) -> N:
    """Probability that a quantity lies at or below a limit, its uncertainty taken as normally distributed.

    Parameters
    ----------
    value : Best estimate. [any unit] Range finite.
    u : Its standard uncertainty. [unit of `value`] Range from 0; at 0 the answer is 0 or 1.
    limit : The limit. [unit of `value`] Range finite.

    Returns
    -------
    Probability. [0..1]

    Raises
    ------
    PhysicsRangeError : a value that is not finite where it must be, a negative u, or a lone NaN.

    Source
    ------
    Normal distribution function; JCGM 106:2012 (a one-sided limit).
    """
    big = 1e300
    distance = in_range("limit", limit, -big, big, "") - in_range("value", value, -big, big, "")
    spread = _u("u", u, "")
    if not isinstance(distance, np.ndarray) and not isinstance(spread, np.ndarray):
        if spread == 0.0:
            return 1.0 if distance >= 0.0 else 0.0
        return 0.5 * math.erfc(-distance / (spread * math.sqrt(2.0)))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        score = np.where(spread == 0.0, np.where(distance >= 0.0, np.inf, -np.inf), distance / spread)
    return np.where(np.isnan(distance), np.nan, ndtr(score))
