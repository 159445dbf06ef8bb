"""Measures of moist air against ASHRAE's tables and examples, and rows of drying practice."""

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
from monitord.physics.units import convert

P0 = 101_325.0

# ASHRAE Handbook—Fundamentals ch. 1 Table 2: T; W_s table, real gas (CoolProp 8.0), ideal gas; h_s [kJ/kg] table
SATURATED = [
    (-20, 0.0006373, 0.000637, 0.000634, -18.542),
    (-10, 0.0016062, 0.001606, 0.001599, -6.072),
    (-5, 0.0024863, 0.002486, 0.002476, 1.164),
    (5, 0.005425, 0.005425, 0.005402, 18.639),
    (20, 0.014758, 0.014760, 0.014695, 57.555),
    (25, 0.020173, 0.020173, 0.020081, 76.504),
    (50, 0.086863, 0.086863, 0.086327, 275.353),
]


@pytest.mark.parametrize(("t", "table", "real", "ideal", "h_table"), SATURATED)
def test_saturated_air_is_that_of_the_handbook(t, table, real, ideal, h_table):
    """W: half of the last digit for the ideal gas, 0.7 % for the table (the enhancement factor is 0.4 to 0.6 %)."""
    w = humidity_ratio(saturation_vapour_pressure(float(t)), P0)
    assert w == pytest.approx(ideal, abs=5.1e-7)
    assert w == pytest.approx(table, rel=0.007)
    assert w == pytest.approx(real, rel=0.007)
    # enthalpy from the table's own W: ASHRAE's constant heat capacities leave 0.1 kJ/kg up to 30 °C, 0.4 at 50 °C


# T, RH over ice below 0 °C; ideal: p_w [Pa], Td, W [g/kg], Tw; real gas (ASHRAE RP-1485 as in CoolProp 8.0): the same
STATES = [
    (-10, 50, 130.0, -17.58, 0.799, -11.64, 130.5, 0.802, -17.58, -11.64),
    (0, 75, 458.4, -3.45, 2.826, -1.45, 460.3, 2.838, -3.45, -1.46),
    (5, 50, 436.2, -4.03, 2.689, 1.35, 438.1, 2.701, -4.03, 1.35),
    (5, 90, 785.2, 3.50, 4.858, 4.30, 788.5, 4.878, 3.50, 4.30),
    (10, 75, 921.0, 5.78, 5.705, 7.85, 924.9, 5.729, 5.78, 7.84),
    (10, 90, 1105.2, 8.44, 6.859, 9.16, 1109.9, 6.888, 8.44, 9.16),
    (15, 50, 852.7, 4.67, 5.279, 9.67, 856.4, 5.301, 4.67, 9.66),
    (15, 75, 1279.1, 10.61, 7.952, 12.46, 1284.6, 7.986, 10.61, 12.45),
    (15, 90, 1534.9, 13.37, 9.566, 14.01, 1541.5, 9.608, 13.37, 14.01),
    (20, 30, 701.6, 1.91, 4.337, 10.85, 704.7, 4.356, 1.92, 10.84),
    (20, 50, 1169.4, 9.27, 7.262, 13.78, 1174.5, 7.294, 9.27, 13.78),
    (20, 75, 1754.1, 15.44, 10.957, 17.07, 1761.7, 11.005, 15.44, 17.06),
    (20, 90, 2104.9, 18.31, 13.194, 18.86, 2114.1, 13.253, 18.31, 18.86),
    (25, 50, 1584.6, 13.86, 9.881, 17.89, 1591.7, 9.926, 13.87, 17.88),
    (25, 75, 2376.9, 20.26, 14.940, 21.68, 2387.5, 15.008, 20.26, 21.68),
    (30, 50, 2123.0, 18.45, 13.310, 22.01, 2132.8, 13.373, 18.45, 22.00),
    (40, 30, 2215.0, 19.13, 13.900, 25.09, 2226.0, 13.971, 19.14, 25.09),
]


@pytest.mark.parametrize("row", STATES, ids=lambda r: f"{r[0]}C-{r[1]}%")
def test_states_of_air_are_as_tabulated(row):
    """Ideal gas: half of the last printed digit. Real gas: 0.7 %, 0.03 K and 0.04 K (largest 0.62 %, 0.019, 0.026)."""
    t, rh, p, td, w, tw, p_real, w_real, td_real, tw_real = (float(x) for x in row)
    p_w = vapour_pressure(t, rh, "ice")
    ratio = humidity_ratio(p_w, P0)
    bulb = wet_bulb(t, rh, P0, "ice")
    assert p_w == pytest.approx(p, abs=0.051)
    assert dew_or_frost_point(p_w) == pytest.approx(td, abs=0.0051)
    assert 1000.0 * ratio == pytest.approx(w, abs=0.00051)
    assert bulb == pytest.approx(tw, abs=0.0051)
    assert p_w == pytest.approx(p_real, rel=0.007)
    assert 1000.0 * ratio == pytest.approx(w_real, rel=0.007)
    assert dew_or_frost_point(p_w) == pytest.approx(td_real, abs=0.03)
    assert bulb == pytest.approx(tw_real, abs=0.04)
    assert relative_humidity(t, p_w, "ice") == pytest.approx(rh, rel=1e-12)


def test_stull_2011_example():
    """Stull 2011 (doi:10.1175/JAMC-D-11-0143.1): 13.7 °C; his fit is good to 0.3 K, the printed digit to 0.05."""
    assert wet_bulb(20.0, 50.0, P0) == pytest.approx(13.7, abs=0.1)


def test_public_values_of_psychrolib_tests():
    """Printed in psychrolib's own public tests; for wet bulbs those allow 3e-4, the age of the printed values."""
    assert humidity_ratio(3169.7, 95_461.0) == pytest.approx(0.0213603998, rel=1e-6)
    # -5 °C over ice: psychrolib's equation below the triple point, the same as ours


@pytest.mark.parametrize(
    ("elevation", "pressure"), [(-500, 107_478), (0, 101_325), (500, 95_461), (1000, 89_875), (4000, 61_640)]
)
def test_standard_atmosphere(elevation, pressure):
    """ASHRAE ch. 1 Table 1, printed in kPa with three decimals: 1 Pa; its own last digit wavers by 1."""
    assert standard_pressure(float(elevation)) == pytest.approx(pressure, abs=1.0)


# Rows of drying practice: T, RH, W [g/kg], gr/lb, q [g/kg], g/m³, p_w [Pa]; regression of the stated formulas
MEASURES = [
    (10.0, 80, 6.089, 42.62, 6.052, 7.518, 982.4),
    (20.0, 50, 7.262, 50.83, 7.209, 8.644, 1169.4),
    ((70 - 32) / 1.8, 40, 6.211, 43.48, 6.173, 7.378, 1001.9),
    ((75 - 32) / 1.8, 50, 9.236, 64.65, 9.151, 10.816, 1482.6),
    ((80 - 32) / 1.8, 60, 13.156, 92.09, 12.985, 15.169, 2098.9),
    ((90 - 32) / 1.8, 50, 15.149, 106.04, 14.923, 17.096, 2409.3),
]


@pytest.mark.parametrize(("t", "rh", "w", "gr", "q", "g_m3", "p"), MEASURES)
def test_measures_of_water_in_air(t, rh, w, gr, q, g_m3, p):
    """Half of the last printed digit."""
    p_w = vapour_pressure(t, float(rh))
    ratio = humidity_ratio(p_w, P0)
    assert p_w == pytest.approx(p, abs=0.051)
    assert 1000 * ratio == pytest.approx(w, abs=0.00051)
    assert convert(ratio, "kg/kg", "gr/lb") == pytest.approx(gr, abs=0.0051)


@pytest.mark.parametrize(("elevation", "grains"), [(500, 53.99), (1000, 57.39), (2000, 65.00)])
def test_grains_rise_with_altitude(elevation, grains):
    """20 °C, 50 %RH in the standard atmosphere; regression, half of the last digit."""
    w = humidity_ratio(vapour_pressure(20.0, 50.0), standard_pressure(float(elevation)))
    assert convert(w, "kg/kg", "gr/lb") == pytest.approx(grains, abs=0.0051)


# room T, RH; probe T, RH; difference of vapour pressure [Pa], of grains per pound; regression
GRADIENTS = [
    (20, 50, 20, 75, 584.7, 25.86),
    (20, 50, 12, 95, 163.1, 7.18),
    (22, 40, 15, 85, 391.7, 17.26),
    (18, 65, 5, 90, -556.6, -24.42),
    (22, 45, 10, 90, -84.9, None),
]


@pytest.mark.parametrize(("room_t", "room_rh", "t", "rh", "pascal", "grains"), GRADIENTS)
def test_gradients_between_probe_and_room(room_t, room_rh, t, rh, pascal, grains):
    """In the last two the void has the higher RH and the lower vapour pressure: vapour moves from room to void."""
    room, probe = vapour_pressure(float(room_t), float(room_rh)), vapour_pressure(float(t), float(rh))
    assert probe - room == pytest.approx(pascal, abs=0.051)
    if grains is not None:
        difference = humidity_ratio(probe, P0) - humidity_ratio(room, P0)
        assert convert(difference, "kg/kg", "gr/lb") == pytest.approx(grains, abs=0.0051)


def test_the_convention_below_zero_moves_the_dew_point_by_up_to_2_75_k():
    """The same reading, once over water and once over ice, over -25..0 °C and 30..100 %RH."""
    t, rh = np.meshgrid(np.linspace(-25.0, 0.0, 26), np.linspace(30.0, 100.0, 15))
    shift = dew_or_frost_point(vapour_pressure(t, rh, "water")) - dew_or_frost_point(vapour_pressure(t, rh, "ice"))
    assert 2.4 < shift.max() < 2.9
    assert shift.min() >= -1e-9
