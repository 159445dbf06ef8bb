"""Propagated uncertainties against published rows and against Monte Carlo (JCGM 101:2008) with a fixed seed."""

import numpy as np
import pytest
from scipy.stats import norm

from monitord.physics.moist_air import dew_or_frost_point, dew_point, humidity_ratio, saturation_slope, vapour_pressure
from monitord.physics.uncertainty import (
    combine,
    probability_below,
    rectangular,
    u_dew_or_frost_point,
    u_dew_point,
    u_humidity_ratio,
    u_vapour_pressure,
)

# T, RH, u(T) 0.15 K, u(RH) 1 %: dTd/dT, dTd/dRH, u(Td) [K], u(p_w)/p_w [%]; regression of JCGM 100:2008 eq. 10
ROWS = [
    (20, 50, 0.919, 0.297, 0.327, 2.21),
    (20, 75, 0.965, 0.208, 0.253, 1.63),
    (10, 80, 0.974, 0.182, 0.233, 1.60),
    (15, 85, 0.981, 0.179, 0.232, 1.52),
    (25, 40, 0.893, 0.375, 0.398, 2.66),
]


@pytest.mark.parametrize(("t", "rh", "by_t", "by_rh", "u_td", "u_p"), ROWS)
def test_uncertainty_of_dew_point_and_vapour_pressure(t, rh, by_t, by_rh, u_td, u_p):
    """Half of the last printed digit."""
    t, rh = float(t), float(rh)
    assert u_dew_point(t, rh, 1.0, 0.0) == pytest.approx(by_t, abs=0.00051)
    assert u_dew_point(t, rh, 0.0, 1.0) == pytest.approx(by_rh, abs=0.00051)
    assert u_dew_point(t, rh, 0.15, 1.0) == pytest.approx(u_td, abs=0.00051)
    assert 100 * u_vapour_pressure(t, rh, 0.15, 1.0) / vapour_pressure(t, rh) == pytest.approx(u_p, abs=0.0051)


def test_sensitivities_are_the_slopes_of_the_dew_point_curve():
    """The sensitivity to temperature is the ratio of two slopes of ln p_ws, here taken by difference."""
    t, rh, h = 20.0, 50.0, 1e-4
    by_t = (dew_point(vapour_pressure(t + h, rh)) - dew_point(vapour_pressure(t - h, rh))) / (2 * h)
    assert u_dew_point(t, rh, 1.0, 0.0) == pytest.approx(by_t, rel=1e-6)
    assert by_t == pytest.approx(saturation_slope(t) / saturation_slope(dew_point(vapour_pressure(t, rh))), rel=1e-6)


def test_a_rectangular_limit_of_2_percent_is_1_15():
    """JCGM 100:2008, 4.3.7: a/√3; printed to two digits."""
    assert rectangular(2.0) == pytest.approx(1.15, abs=0.0051)


def test_gradient_between_two_probes_near_20_degrees_is_known_to_38_pa():
    """u(RH) 1 %, u(T) 0.15 K, 20 °C, mid humidities; printed as about 38 Pa."""
    u = u_vapour_pressure(20.0, 60.0, 0.15, 1.0)
    assert combine(u, u) == pytest.approx(38.0, abs=1.0)


# also where the curve bends most: cold, dry, and either side of 0 °C dew point
STATES = [(20.0, 50.0), (20.0, 75.0), (10.0, 80.0), (15.0, 85.0), (25.0, 40.0), (2.0, 60.0), (-8.0, 85.0), (22.0, 25.0)]


@pytest.mark.parametrize("over", ["water", "ice"])
@pytest.mark.parametrize(("t", "rh"), STATES)
def test_monte_carlo_finds_the_same_uncertainties(t, rh, over):
    """400 000 draws have a sampling error of 0.11 %; curvature adds most where dry: 1 % and 0.002 K are asked."""
    rng = np.random.default_rng(20260801)
    ts, rhs = rng.normal(t, 0.15, 400_000), rng.normal(rh, 1.0, 400_000)
    p = vapour_pressure(ts, rhs, over)
    assert u_vapour_pressure(t, rh, 0.15, 1.0, over) == pytest.approx(p.std(), rel=0.01)
    assert u_dew_point(t, rh, 0.15, 1.0, over) == pytest.approx(dew_point(p).std(), abs=0.002)
    w = humidity_ratio(p, rng.normal(100_000.0, 300.0, 400_000))
    u_w = u_humidity_ratio(t, rh, 0.15, 1.0, 100_000.0, u_pressure_pa=300.0, humidity_over=over)
    assert u_w == pytest.approx(w.std(), rel=0.01)
    frost = dew_or_frost_point(p)
    if np.all(frost < 0.01) or np.all(frost > 0.01):  # at the bend itself there is no single slope
        assert u_dew_or_frost_point(t, rh, 0.15, 1.0, over) == pytest.approx(frost.std(), abs=0.002)


def test_a_frost_point_moves_less_than_a_dew_point():
    """Clausius-Clapeyron: the slopes are L/(Rv T²), so their ratio at the two points follows from the latent heats.

    2.836 MJ/kg of sublimation, 2.522 of vaporisation near -9 °C (common tables); 0.005 for the rounding of these.
    """
    ratio = u_dew_point(0.0, 50.0, 0.2, 1.0) / u_dew_or_frost_point(0.0, 50.0, 0.2, 1.0)
    p = vapour_pressure(0.0, 50.0)
    kelvins = (dew_point(p) + 273.15) / (dew_or_frost_point(p) + 273.15)
    assert ratio == pytest.approx(2.836 / 2.522 * kelvins**2, abs=0.005)


def test_probability_is_that_of_the_normal_distribution():
    """scipy's normal distribution; classical points 15.87 % and 97.72 % (any table)."""
    value, u = np.array([-2.0, 0.0, 1.0, 2.5]), np.array([1.0, 0.5, 1.0, 0.3])
    assert probability_below(value, u, 0.4) == pytest.approx(norm.cdf(0.4, value, u), rel=1e-12)
    assert probability_below(1.0, 1.0, 0.0) == pytest.approx(0.158655, abs=1e-6)
    assert probability_below(-1.0, 0.5, 0.0) == pytest.approx(0.977250, abs=1e-6)
