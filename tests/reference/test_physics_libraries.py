"""Moist air against psychrolib and CoolProp over the whole range. Relative humidity is over ice below 0 °C in both.

psychrolib takes one state at a time and RH strictly inside 0..1. With numba in the environment it compiles its
functions, which takes longer than the few hundred calls here; so it is loaded here as if numba were absent, and the
grids are modest.
"""

import importlib.util
import sys

import numpy as np
import pytest

from monitord.physics.moist_air import (
    dew_or_frost_point,
    humidity_ratio,
    relative_humidity,
    saturation_vapour_pressure,
    standard_pressure,
    vapour_pressure,
    wet_bulb,
)


def plain_psychrolib():
    """A copy of psychrolib of our own, without numba, in SI units (its unit system is a module global)."""
    absent = object()
    before = sys.modules.get("numba", absent)
    sys.modules["numba"] = None  # makes `import numba` fail
    try:
        spec = importlib.util.find_spec("psychrolib")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        if before is absent:
            del sys.modules["numba"]
        else:
            sys.modules["numba"] = before
    module.SetUnitSystem(module.SI)
    return module


psychrolib = plain_psychrolib()

P0 = 101_325.0
T, RH = (g.ravel() for g in np.meshgrid(np.linspace(-20.0, 50.0, 15), [5.0, 20.0, 35.0, 50.0, 65.0, 80.0, 99.0]))


def each(function, *arguments):
    """A function of single numbers, for each element of the arrays."""
    return np.array([function(*(float(x) for x in row)) for row in np.broadcast(*arguments)])


def test_saturation_pressure_is_psychrolibs():
    """The same equations; psychrolib also joins them at the triple point. 1e-6 is far above rounding."""
    t = np.linspace(-99.0, 199.0, 299)
    assert saturation_vapour_pressure(t) == pytest.approx(each(psychrolib.GetSatVapPres, t), rel=1e-6)


def test_vapour_pressure_and_humidity_ratio_are_psychrolibs():
    """Section "ideal equations" of the tolerances: 1e-6."""
    p = vapour_pressure(T, RH, "ice")
    assert p == pytest.approx(each(psychrolib.GetVapPresFromRelHum, T, RH / 100.0), rel=1e-6)
    assert relative_humidity(T, p, "ice") == pytest.approx(RH, rel=1e-9)
    for pressure in (60_000.0, P0):
        w = humidity_ratio(p, pressure)
        assert w == pytest.approx(each(psychrolib.GetHumRatioFromRelHum, T, RH / 100.0, pressure), rel=1e-6)


def test_dew_point_is_psychrolibs():
    """0.002 K: psychrolib stops its own iteration at 0.001 K."""
    ours = dew_or_frost_point(vapour_pressure(T, RH, "ice"))
    assert ours == pytest.approx(each(psychrolib.GetTDewPointFromRelHum, T, RH / 100.0), abs=0.002)


def test_the_standard_atmosphere_is_psychrolibs():
    """The same equation."""
    height = np.linspace(-1000.0, 11_000.0, 25)
    assert standard_pressure(height) == pytest.approx(each(psychrolib.GetStandardAtmPressure, height), rel=1e-9)


@pytest.mark.parametrize("pressure", [70_000.0, P0])
def test_wet_bulb_is_psychrolibs(pressure):
    """0.003 K: psychrolib bisects to 0.001 K.

    Around 0 °C a wetted and an iced bulb can both fulfil the equations, and psychrolib's answer hangs on the path of
    its bisection. There ours must be the wetted one, and psychrolib's must lie below 0 °C.
    """
    ours = wet_bulb(T, RH, pressure, "ice")
    theirs = each(psychrolib.GetTWetBulbFromRelHum, T, RH / 100.0, pressure)
    apart = np.abs(ours - theirs) > 0.003
    assert np.count_nonzero(apart) <= 3
    assert np.all(ours[apart] >= 0.0)
    assert np.all(theirs[apart] < 0.0)


def test_real_moist_air_lies_within_the_argued_tolerances():
    """ASHRAE RP-1485 as in CoolProp: p_w and W 0.7 %, dew point 0.03 K, wet bulb 0.04 K over -20..50 °C, 5..100 %RH.

    The ideal gas leaves out the enhancement factor, 0.4 to 0.6 %. The wet bulb is compared away from 0 °C, where the
    two choose differently between a wetted and an iced bulb.
    """
    from CoolProp.HumidAirProp import HAPropsSI

    t, rh = (g.ravel() for g in np.meshgrid(np.linspace(-20.0, 50.0, 15), [5.0, 30.0, 55.0, 80.0, 100.0]))
    t = np.where(t == 0.0, 0.1, t)
    real = {
        name: each(lambda a, r, name=name: HAPropsSI(name, "T", a + 273.15, "P", P0, "R", r / 100.0), t, rh)
        for name in ("P_w", "W", "D", "B")
    }
    p = vapour_pressure(t, rh, "ice")
    assert p == pytest.approx(real["P_w"], rel=0.007)
    assert humidity_ratio(p, P0) == pytest.approx(real["W"], rel=0.007)
    assert dew_or_frost_point(p) == pytest.approx(real["D"] - 273.15, abs=0.03)
    bulb = wet_bulb(t, rh, P0, "ice")
    away = np.abs(bulb) > 0.7
    assert np.count_nonzero(away) > 70
    assert bulb[away] == pytest.approx(real["B"][away] - 273.15, abs=0.04)
