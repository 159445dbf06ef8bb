"""Saturation pressure, dew point and frost point against printed tables, IAPWS and CoolProp."""

import numpy as np
import pytest
from iapws._iapws import _Sublimation_Pressure
from iapws.iapws97 import _PSat_T

from monitord.physics.moist_air import (
    dew_or_frost_point,
    dew_point,
    saturation_slope,
    saturation_vapour_pressure,
)

# T [°C]; ASHRAE equations, IAPWS, ASHRAE Handbook—Fundamentals 2017 ch. 1 Table 3 (2009 for -10 and 20 °C) [Pa]
ROWS = [
    (-20, 103.260, 103.239, 103.24),
    (-10, 259.903, 259.874, 259.90),
    (-5, 401.764, 401.741, 401.74),
    (0.01, 611.657, 611.657, None),
    (5, 872.487, 872.575, 872.6),
    (10, 1227.995, 1228.184, None),
    (15, 1705.448, 1705.745, None),
    (20, 2338.804, 2339.215, 2338.8),
    (25, 3169.217, 3169.747, 3169.7),
    (30, 4246.030, 4246.688, None),
    (40, 7383.460, 7384.428, None),
    (50, 12349.857, 12351.270, 12351.3),
]
# ASHRAE's equations and IAPWS agree within 0.035 % over -40..60 °C; both are fits to the same vapour.
IAPWS_SHARE = 3.5e-4


@pytest.mark.parametrize(("t", "ashrae", "iapws", "table"), ROWS)
def test_saturation_pressure_is_that_of_the_handbook(t, ashrae, iapws, table):
    """Tolerance of the equation's own value: half of its last printed digit."""
    value = saturation_vapour_pressure(float(t))
    assert value == pytest.approx(ashrae, abs=0.0006)
    assert value == pytest.approx(iapws, rel=IAPWS_SHARE)
    if table is not None:  # half a printed digit more, since the table is rounded
        assert value == pytest.approx(table, rel=IAPWS_SHARE, abs=0.05)


@pytest.mark.parametrize(("t", "ashrae", "iapws", "table"), ROWS)
def test_dew_or_frost_point_goes_back_to_the_row(t, ashrae, iapws, table):
    """0.035 % of pressure is 0.005 K of dew point; 0.006 K leaves room for the printed digits."""
    assert dew_or_frost_point(float(iapws)) == pytest.approx(t, abs=0.006)


def test_saturation_pressure_over_water_follows_iapws_from_0_to_60():
    t = np.linspace(0.01, 60.0, 241)
    iapws = np.array([1e6 * _PSat_T(x + 273.15) for x in t])
    assert saturation_vapour_pressure(t, "water") == pytest.approx(iapws, rel=IAPWS_SHARE)


def test_saturation_pressure_over_ice_follows_iapws_from_minus_40():
    t = np.linspace(-40.0, 0.0, 161)
    iapws = np.array([1e6 * _Sublimation_Pressure(x + 273.15) for x in t])
    assert saturation_vapour_pressure(t, "ice") == pytest.approx(iapws, rel=IAPWS_SHARE)
    # and far below, where IAPWS itself gives 100 Pa·1e-5: 0.1 % is a tenth of any use
    cold = np.linspace(-100.0, -40.0, 61)
    iapws = np.array([1e6 * _Sublimation_Pressure(x + 273.15) for x in cold])
    assert saturation_vapour_pressure(cold, "ice") == pytest.approx(iapws, rel=1e-3)


def test_saturation_pressure_follows_coolprop_to_150_degrees():
    """Saturated water by IAPWS-95 as in CoolProp. ASHRAE's liquid equation leaves it by up to 0.25 % near 150 °C."""
    from CoolProp.CoolProp import PropsSI

    t = np.linspace(1.0, 150.0, 150)
    coolprop = np.array([PropsSI("P", "T", x + 273.15, "Q", 0, "Water") for x in t])
    assert saturation_vapour_pressure(t) == pytest.approx(coolprop, rel=2.5e-3)


# Reference text on the water and ice conventions (AMS Glossary; WMO): RH over water when saturated over ice, and the
# frost point of air at 100 %RH over water
WATER_OR_ICE = [(-1, 99.0, -0.88), (-5, 95.2, -4.42), (-10, 90.5, -8.88), (-15, 86.2, -13.37), (-20, 82.0, -17.91)]


@pytest.mark.parametrize(("t", "rh_over_water", "frost"), WATER_OR_ICE)
def test_water_and_ice_below_zero_differ_as_published(t, rh_over_water, frost):
    """Tolerances: one printed digit and 0.005 K, half of one."""
    ice, water = saturation_vapour_pressure(float(t), "ice"), saturation_vapour_pressure(float(t), "water")
    assert 100.0 * ice / water == pytest.approx(rh_over_water, abs=0.06)
    assert dew_or_frost_point(water) == pytest.approx(frost, abs=0.006)


def murphy_koop_2005(t_c):
    """Vapour pressure over supercooled water, Murphy and Koop 2005 (QJRMS 131:1539) eq. 10, 123..332 K. [Pa]"""
    t = t_c + 273.15
    return np.exp(
        54.842763
        - 6763.22 / t
        - 4.210 * np.log(t)
        + 0.000367 * t
        + np.tanh(0.0415 * (t - 218.8)) * (53.878 - 1331.22 / t - 9.44523 * np.log(t) + 0.014025 * t)
    )


@pytest.mark.parametrize(("low", "share"), [(-10, 0.0021), (-40, 0.006), (-80, 0.028)])
def test_supercooled_water_stays_near_murphy_and_koop(low, share):
    """The shares are those that the docstring states."""
    t = np.linspace(low, 0.0, 81)
    assert saturation_vapour_pressure(t, "water") == pytest.approx(murphy_koop_2005(t), rel=share)


@pytest.mark.parametrize(
    ("form", "p0", "a", "b", "tolerance"),
    [
        # stated to give dew points within 0.04 K of ASHRAE for 0..40 °C
        ("Magnus, WMO-No. 8", 611.2, 17.62, 243.12, 0.04),
        ("Magnus, Alduchov and Eskridge 1996", 610.94, 17.625, 243.04, 0.04),
        # an older fit, for which no figure is published; 0.05 K is a quarter of a probe's accuracy
        ("EN ISO 13788", 610.5, 17.269, 237.3, 0.05),
    ],
)
def test_dew_point_agrees_with_other_published_fits_in_rooms(form, p0, a, b, tolerance):
    """Each fit used both ways, from temperature to pressure and back to the dew point, as instruments do."""
    t, rh = np.meshgrid(np.linspace(0.5, 40.0, 80), np.linspace(10.0, 100.0, 19))
    x = np.log(rh / 100.0) + a * t / (b + t)
    fitted = b * x / (a - x)
    ours = dew_point(rh / 100.0 * saturation_vapour_pressure(t))
    assert ours[ours > 0.0] == pytest.approx(fitted[ours > 0.0], abs=tolerance)


@pytest.mark.parametrize("over", ["auto", "water"])
def test_slope_is_the_derivative_of_the_pressure(over):
    """Central difference over 0.2 mK: its own error is about 1e-7."""
    t = np.linspace(-79.0, 199.0, 557)
    t = t[np.abs(t - 0.01) > 0.001]
    h = 1e-4
    by_difference = (
        np.log(saturation_vapour_pressure(t + h, over)) - np.log(saturation_vapour_pressure(t - h, over))
    ) / (2 * h)
    assert saturation_slope(t, over) == pytest.approx(by_difference, rel=1e-6)


def test_ice_and_water_meet_at_the_triple_point():
    """The handbook's switch at 0 °C leaves a jump of 0.01 %; at 0.01 °C the equations meet to 1e-8."""
    below, above = np.nextafter(0.01, -1.0), np.nextafter(0.01, 1.0)
    for over in ("auto", "water"):
        step = saturation_vapour_pressure(above, over) / saturation_vapour_pressure(below, over) - 1.0
        assert abs(step) < 2e-7


def test_the_round_trip_is_exact_over_the_whole_range():
    t = np.linspace(-100.0, 200.0, 3001)
    assert dew_or_frost_point(saturation_vapour_pressure(t)) == pytest.approx(t, abs=1e-9)
    t = np.linspace(-80.0, 200.0, 2801)
    assert dew_point(saturation_vapour_pressure(t, "water")) == pytest.approx(t, abs=1e-9)
    t = np.linspace(-100.0, 0.01, 1001)
    assert dew_or_frost_point(saturation_vapour_pressure(t, "ice")) == pytest.approx(t, abs=1e-9)
