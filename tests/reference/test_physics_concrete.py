"""Concrete against the values published with Bažant and Najjar 1972, Xi et al. 1994 and the void's own physics."""

import numpy as np
import pytest

from monitord.physics.concrete import (
    diffusivity_temperature_factor,
    relative_diffusivity,
    sealed_hole_humidity,
    sealed_humidity_slope,
)

# regression of the stated formulas; half of the last printed digit
DIFFUSIVITY = [(0.6, 0.0500), (0.7, 0.0522), (0.75, 0.0823), (0.8, 0.5250), (0.85, 0.9875), (0.9, 1.0000)]
TEMPERATURE = [(5, 0.521), (10, 0.619), (15, 0.730), (20, 0.857), (30, 1.161)]
SEALED = [(0.6, 0.0050), (0.75, 0.0051), (0.85, 0.0043), (0.95, 0.0021)]


@pytest.mark.parametrize(("h", "share"), DIFFUSIVITY)
def test_relative_diffusivity(h, share):
    assert relative_diffusivity(h) == pytest.approx(share, abs=0.000051)


def test_diffusivity_falls_ten_to_twenty_times_as_the_paper_says():
    """Bažant and Najjar 1972: D falls 10 to 20 times between 0.9 and 0.6."""
    assert 10.0 <= relative_diffusivity(0.9) / relative_diffusivity(0.6) <= 20.0


@pytest.mark.parametrize(("t", "factor"), TEMPERATURE)
def test_temperature_factor_of_diffusivity(t, factor):
    assert diffusivity_temperature_factor(float(t)) == pytest.approx(factor, abs=0.00051)


@pytest.mark.parametrize(("h", "per_kelvin"), SEALED)
def test_sealed_concrete_gets_more_humid_when_warmed(h, per_kelvin):
    assert sealed_humidity_slope(h) == pytest.approx(per_kelvin, abs=0.000051)
    # the integrated form has the same slope: over 0.01 K, in %
    rise = sealed_hole_humidity(100 * h, 20.0, 20.01) - 100 * h
    assert rise == pytest.approx(sealed_humidity_slope(h), rel=1e-3)


def test_sealed_hole_comes_back_when_the_temperature_does():
    rh, dt = np.meshgrid(np.linspace(5.0, 99.5, 20), np.linspace(-15.0, 15.0, 7))
    there = sealed_hole_humidity(rh, 20.0, 20.0 + dt)
    assert sealed_hole_humidity(there, 20.0 + dt, 20.0) == pytest.approx(rh, abs=1e-8)


def test_sealed_hole_follows_small_steps_of_the_published_slope():
    """20 K in steps of 0.01 K by the published derivative alone (midpoint rule): 1e-4 %."""
    h = 0.75
    for _ in range(2000):
        middle = h + 0.005 * sealed_humidity_slope(h)
        h += 0.01 * sealed_humidity_slope(middle)
    assert sealed_hole_humidity(75.0, 10.0, 30.0) == pytest.approx(100 * h, abs=1e-4)


# inert void with fixed vapour: from 20 °C/75 %; a sensor 1 K warmer than 5 °C material
VOID = [(20, 21, 70.5), (20, 25, 55.4), (20, 19, 79.8), (5, 6, 70.0)]


# Xi, Bažant and Jennings 1994, type I, 28 d, 25 °C: w/c; {h: water [g/g cement]}; regression
ISOTHERM = [
    (0.5, {0.2: 0.0527, 0.5: 0.0874, 0.75: 0.1343, 0.9: 0.1895, 1.0: 0.2579}),
    (0.4, {0.5: 0.0805, 0.75: 0.1193, 0.9: 0.1612}),
    (0.6, {0.5: 0.0938, 0.75: 0.1483, 0.9: 0.2173}),
]
