"""Surfaces against the rows of EN ISO 13788:2012 and DIN 4108-2, and their uncertainty against Monte Carlo."""

import numpy as np
import pytest

from monitord.physics.moist_air import dew_or_frost_point, vapour_pressure
from monitord.physics.surfaces import (
    condensation_margin,
    probability_of_condensation,
    surface_relative_humidity,
    surface_temperature_from_factor,
    u_condensation_margin,
    u_condensation_margin_from_factor,
    u_surface_temperature_from_factor,
)
from monitord.physics.uncertainty import u_dew_or_frost_point


def iso_13788_saturation(t):
    """EN ISO 13788:2012, saturation pressure from 0 °C up. [Pa]"""
    return 610.5 * np.exp(17.269 * t / (237.3 + t))


# air T/RH; T_s; surface RH [%]; T_s - Td [K]
SURFACES = [
    (20, 50, 12.6, 80.15, 3.33),
    (20, 60, 15, 82.28, 2.99),
    (20, 60, 10, 114.3, -2.01),
    (22, 45, 8, 110.9, -1.53),
    (15, 70, 11, 90.94, 1.42),
]


@pytest.mark.parametrize(("t", "rh", "surface", "surface_rh", "margin"), SURFACES)
def test_surface_humidity_and_margin(t, rh, surface, surface_rh, margin):
    """Half of the last printed digit (0.05 where one decimal is printed)."""
    p = vapour_pressure(float(t), float(rh))
    decimals = 0.0051 if surface_rh < 100 else 0.051
    assert surface_relative_humidity(float(surface), p) == pytest.approx(surface_rh, abs=decimals)
    assert condensation_margin(float(surface), p) == pytest.approx(margin, abs=0.0051)


# theta_i, RH, theta_e, p_i [Pa], theta_si,min, f_Rsi
REQUIRED = [
    (20, 50, -5, 1168.5, 12.62, 0.705),
    (20, 50, 0, 1168.5, 12.62, 0.631),
    (20, 60, 0, 1402.2, 15.43, 0.772),
    (20, 65, 5, 1519.0, 16.69, 0.779),
    (18, 70, 5, 1444.0, 15.89, 0.838),
]


@pytest.mark.parametrize(("room", "rh", "outdoor", "p_i", "surface", "factor"), REQUIRED)
def test_at_the_required_temperature_factor_a_surface_is_at_80_percent(room, rh, outdoor, p_i, surface, factor):
    """The rows use the standard's own saturation fit, 0.08 % below ASHRAE's; the factor has three digits of 25 K."""
    p = vapour_pressure(float(room), float(rh))
    assert p == pytest.approx(p_i, rel=1e-3)
    at = surface_temperature_from_factor(factor, float(room), float(outdoor))
    assert at == pytest.approx(surface, abs=0.02)
    assert surface_relative_humidity(at, p) == pytest.approx(80.0, abs=0.2)
    # by the standard's own formula too
    assert 100 * p_i / iso_13788_saturation(at) == pytest.approx(80.0, abs=0.2)


def test_the_design_case_of_din_4108_2():
    """20 °C, 50 %, -5 °C: surface 12.6 °C is at 80 %, and has f_Rsi 0.70 (printed digits)."""
    assert surface_relative_humidity(12.6, vapour_pressure(20.0, 50.0)) == pytest.approx(80.0, abs=0.3)
    assert surface_temperature_from_factor(0.704, 20.0, -5.0) == pytest.approx(12.6, abs=0.0125)


def test_monte_carlo_finds_the_same_uncertainty_of_surface_and_margin():
    """JCGM 101:2008, 400 000 draws, fixed seed; 1 % for sampling and for the curvature of the dew point."""
    rng = np.random.default_rng(7)
    n, f, room, rh, outdoor = 400_000, 0.7, 20.0, 55.0, -2.0
    fs, rooms = rng.normal(f, 0.03, n), rng.normal(room, 0.25, n)
    rhs, outs = rng.normal(rh, 1.2, n), rng.normal(outdoor, 0.3, n)
    surfaces = surface_temperature_from_factor(fs, rooms, outs)
    u_surface = u_surface_temperature_from_factor(f, room, outdoor, 0.03, 0.25, 0.3)
    assert u_surface == pytest.approx(surfaces.std(), rel=0.01)
    # one probe gives room temperature and dew point: their errors go together
    margins = surfaces - dew_or_frost_point(vapour_pressure(rooms, rhs))
    together = u_condensation_margin_from_factor(
        f, room, rh, outdoor, u_f_rsi=0.03, u_room_k=0.25, u_relative_humidity_pct=1.2, u_outdoor_k=0.3
    )
    assert together == pytest.approx(margins.std(), rel=0.01)
    # two probes: independent
    other = dew_or_frost_point(vapour_pressure(rng.normal(room, 0.25, n), rhs))
    apart = u_condensation_margin(u_surface, u_dew_or_frost_point(room, rh, 0.25, 1.2))
    assert apart == pytest.approx((surfaces - other).std(), rel=0.01)
    assert together < apart
    # and the share of draws that condense is the probability (0.002: sampling, and the bend of the curve)
    wet = surface_temperature_from_factor(fs - 0.22, rooms, outs) - dew_or_frost_point(vapour_pressure(rooms, rhs))
    assert probability_of_condensation(float(wet.mean()), float(wet.std())) == pytest.approx(
        np.mean(wet <= 0), abs=0.004
    )
