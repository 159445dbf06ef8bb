"""Conversions against exact definitions and NIST SP 811 (2008) appendix B.8."""

import numpy as np
import pytest

from monitord.physics.units import UNITS, convert, convert_difference

# exact by definition unless said otherwise; rel 1e-12 is rounding
ROWS = [
    (212.0, "°F", 100.0, "°C"),
    (-40.0, "°F", -40.0, "°C"),
    (70.0, "°F", 21.111111111111, "°C"),
    (20.0, "°C", 293.15, "K"),
    (21.5, "Cel", 21.5, "°C"),
    (0.5, "ratio", 50.0, "%RH"),
    (1013.25, "hPa", 101_325.0, "Pa"),
    (1013.25, "mbar", 101.325, "kPa"),
    (7000.0, "gr/lb", 1.0, "kg/kg"),
    (1.0, "g/kg", 7.0, "gr/lb"),
    (1.0, "in", 25.4, "mm"),
    (1.0, "ft", 30.48, "cm"),
    (12.0, "in", 0.3048, "m"),
    (1000.0, "ft²", 92.90304, "m²"),  # the "1000 ft² (100 m²)" of floor standards is a rounding of this
    (1.0, "ft³", 28.316846592, "L"),
    (8.0, "pt", 1.0, "gal"),
    (1.0, "gal", 3.785411784, "L"),
    (1.0, "lb", 0.45359237, "kg"),
    (3600.0, "mV", 3.6, "V"),
    (1.0, "m³", 1000.0, "L"),
]


@pytest.mark.parametrize(("value", "unit", "expected", "target"), ROWS, ids=str)
def test_exact_conversions(value, unit, expected, target):
    assert convert(value, unit, target) == pytest.approx(expected, rel=1e-12)
    assert convert(expected, target, unit) == pytest.approx(value, rel=1e-12)


# conventional or rounded factors, to the digits that NIST SP 811 prints
ROUNDED = [
    (1.0, "inHg", 3386.389, "Pa"),
    (1.0, "mmHg", 133.3224, "Pa"),
    (1.0, "psi", 6894.757, "Pa"),
    (1.0, "gr/ft³", 2.288352, "g/m³"),
    (29.92, "inHg", 1013.2, "hPa"),  # the standard atmosphere as barometers print it
]


@pytest.mark.parametrize(("value", "unit", "expected", "target"), ROUNDED, ids=str)
def test_conventional_conversions(value, unit, expected, target):
    assert convert(value, unit, target) == pytest.approx(expected, rel=1e-5)


def test_a_difference_has_no_offset():
    """1 K is 1.8 °F as a difference; 1 °C is 33.8 °F as a temperature."""
    assert convert_difference(1.0, "°C", "°F") == pytest.approx(1.8, rel=1e-12)
    assert convert(1.0, "°C", "°F") == pytest.approx(33.8, rel=1e-12)
    assert convert_difference(np.array([5.0, np.nan]), "K", "°C")[0] == 5.0


def test_every_unit_goes_to_its_kin_and_back():
    """Nothing in the table is one-way."""
    for name, unit in UNITS.items():
        for other, kin in UNITS.items():
            if kin.dimension == unit.dimension:
                assert convert(convert(37.5, name, other), other, name) == pytest.approx(37.5, rel=1e-9)
