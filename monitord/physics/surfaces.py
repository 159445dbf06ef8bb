"""Cold surfaces: their temperature by the temperature factor, humidity at them, margin to the dew point."""

from __future__ import annotations

from monitord.physics.humidity import vapour_pressure
from monitord.physics.numeric import N, in_range, over_of, sqrt
from monitord.physics.saturation import dew_or_frost_point, saturation_slope, saturation_vapour_pressure
from monitord.physics.uncertainty import combine, probability_below

_COLDEST_C, _HOTTEST_C = -100.0, 100.0


def _room_and_outdoor(room_c: N, outdoor_c: N | float) -> tuple[N, N | float]:
    return (
        in_range("room_c", room_c, _COLDEST_C, _HOTTEST_C, "°C"),
        in_range("outdoor_c", outdoor_c, _COLDEST_C, _HOTTEST_C, "°C"),
    )


def surface_temperature_from_factor(f_rsi: N | float, room_c: N, outdoor_c: N | float) -> N:
    """Temperature of an inner surface of known temperature factor.

    Parameters
    ----------
    f_rsi : Temperature factor. [no unit] Range 0..1.
    room_c : Temperature of the room air. [°C] Range -100..100.
    outdoor_c : Temperature of the outdoor air. [°C] Range -100..100.

    Returns
    -------
    Surface temperature. [°C]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    EN ISO 13788:2012, solved for θsi; steady state: a heavy wall lags by hours.
    """
    factor = in_range("f_rsi", f_rsi, 0.0, 1.0, "")
    room, outdoor = _room_and_outdoor(room_c, outdoor_c)
    return outdoor + factor * (room - outdoor)


def u_surface_temperature_from_factor(
    f_rsi: N | float,
    room_c: N,
    outdoor_c: N | float,
    u_f_rsi: N | float,
    u_room_k: N | float,
    u_outdoor_k: N | float,
) -> N:
    """Standard uncertainty of `surface_temperature_from_factor`.

    Parameters
    ----------
    f_rsi : Temperature factor. [no unit] Range 0..1.
    room_c, outdoor_c : Air temperatures. [°C] Range -100..100.
    u_f_rsi : Standard uncertainty of the factor. [no unit] Range 0..1.
    u_room_k, u_outdoor_k : Standard uncertainties of the air temperatures. [K] Range 0..100.

    Returns
    -------
    Standard uncertainty of the surface temperature. [K]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10, applied to EN ISO 13788:2012; independent inputs.
    """
    factor = in_range("f_rsi", f_rsi, 0.0, 1.0, "")
    room, outdoor = _room_and_outdoor(room_c, outdoor_c)
    by_factor = (room - outdoor) * in_range("u_f_rsi", u_f_rsi, 0.0, 1.0, "")
    by_room = factor * in_range("u_room_k", u_room_k, 0.0, 100.0, "K")
    by_outdoor = (1.0 - factor) * in_range("u_outdoor_k", u_outdoor_k, 0.0, 100.0, "K")
    return sqrt(by_factor * by_factor + by_room * by_room + by_outdoor * by_outdoor)


def surface_relative_humidity(surface_c: N, vapour_pressure_pa: N | float, over: str = "auto") -> N:
    """Relative humidity of air right at a surface: the air's vapour at the surface's temperature.

    Parameters
    ----------
    surface_c : Surface temperature. [°C] Range -100..200 (-80..200 over "water").
    vapour_pressure_pa : Vapour pressure of the air that touches it. [Pa] Range 0..1.7E6.
    over : "auto" (ice below 0.01 °C, as EN ISO 13788) or "water".

    Returns
    -------
    Surface relative humidity. [%] Not limited: above 100 the vapour condenses there.

    Raises
    ------
    PhysicsRangeError : a value outside its range, a lone NaN, or an unknown `over`.

    Source
    ------
    EN ISO 13788:2012: φsi = p_i / p_sat(θsi), with the saturation pressure of ASHRAE Handbook—Fundamentals
    2017, ch. 1 eqs. 5 and 6 (the standard's own fit agrees to 0.1 %).
    """
    vapour = in_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 1.7e6, "Pa")
    return 100.0 * vapour / saturation_vapour_pressure(surface_c, over)


def condensation_margin(surface_c: N, vapour_pressure_pa: N | float) -> N:
    """How far a surface lies above the dew or frost point of the air that touches it; below 0 it condenses.

    Parameters
    ----------
    surface_c : Surface temperature. [°C] Range -100..200.
    vapour_pressure_pa : Vapour pressure of the air that touches it. [Pa] Range 0.00141..1.555E6.

    Returns
    -------
    Surface temperature less dew or frost point. [K]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Definition; ISO 8502-4 uses the same margin. Dew or frost point by ASHRAE Handbook—Fundamentals 2017, ch. 1.
    """
    return in_range("surface_c", surface_c, -100.0, 200.0, "°C") - dew_or_frost_point(vapour_pressure_pa)


def u_condensation_margin(u_surface_k: N, u_dew_point_k: N | float) -> N:
    """Standard uncertainty of `condensation_margin` where surface and air were measured by different sensors.

    Parameters
    ----------
    u_surface_k : Standard uncertainty of the surface temperature. [K] Range from 0.
    u_dew_point_k : Standard uncertainty of the dew or frost point. [K] Range from 0.

    Returns
    -------
    Standard uncertainty of the margin. [K]

    Raises
    ------
    PhysicsRangeError : a negative value, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10; independent inputs.
    """
    return combine(u_surface_k, u_dew_point_k)


def u_condensation_margin_from_factor(
    f_rsi: N | float,
    room_c: N,
    relative_humidity_pct: N | float,
    outdoor_c: N | float,
    *,
    u_f_rsi: N | float,
    u_room_k: N | float,
    u_relative_humidity_pct: N | float,
    u_outdoor_k: N | float,
    humidity_over: str = "water",
) -> N:
    """Standard uncertainty of the margin where one probe gives both the room temperature and the dew point.

    An error of the room temperature moves surface and dew point the same way and cancels in part, so this is
    smaller than `u_condensation_margin`, which takes the two as independent.

    Parameters
    ----------
    f_rsi : Temperature factor. [no unit] Range 0..1.
    room_c, outdoor_c : Air temperatures. [°C] Range -80..100.
    relative_humidity_pct : Relative humidity of the room air. [%] Range above 0..105.
    u_f_rsi : Standard uncertainty of the factor. [no unit] Range 0..1.
    u_room_k, u_outdoor_k : Standard uncertainties of the air temperatures. [K] Range 0..100.
    u_relative_humidity_pct : Standard uncertainty of the relative humidity. [%] Range 0..100.
    humidity_over : "water" or "ice" below 0.01 °C, as in `vapour_pressure`.

    Returns
    -------
    Standard uncertainty of the margin. [K]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    JCGM 100:2008, 5.1.2 eq. 10, in the independent inputs themselves: ∂margin/∂θi = f_Rsi - ∂T_d/∂θi.
    """
    factor = in_range("f_rsi", f_rsi, 0.0, 1.0, "")
    room, outdoor = _room_and_outdoor(room_c, outdoor_c)
    slope_at_dew = saturation_slope(dew_or_frost_point(vapour_pressure(room, relative_humidity_pct, humidity_over)))
    dew_by_room = saturation_slope(room, over_of(humidity_over)) / slope_at_dew
    by_room = (factor - dew_by_room) * in_range("u_room_k", u_room_k, 0.0, 100.0, "K")
    u_rh = in_range("u_relative_humidity_pct", u_relative_humidity_pct, 0.0, 100.0, "%")
    by_humidity = u_rh / relative_humidity_pct / slope_at_dew
    by_factor = (room - outdoor) * in_range("u_f_rsi", u_f_rsi, 0.0, 1.0, "")
    by_outdoor = (1.0 - factor) * in_range("u_outdoor_k", u_outdoor_k, 0.0, 100.0, "K")
    return sqrt(by_room * by_room + by_humidity * by_humidity + by_factor * by_factor + by_outdoor * by_outdoor)


def probability_of_condensation(margin_k: N, u_margin_k: N | float) -> N:
    """Probability that a surface is at or below the dew point.

    Parameters
    ----------
    margin_k : Margin to the dew point. [K] Range finite.
    u_margin_k : Its standard uncertainty. [K] Range from 0.

    Returns
    -------
    Probability. [0..1]

    Raises
    ------
    PhysicsRangeError : a negative uncertainty, or a lone NaN.

    Source
    ------
    Normal distribution function; JCGM 106:2012.
    """
    return probability_below(margin_k, u_margin_k, 0.0)
