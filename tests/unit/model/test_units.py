"""Units that people read: against the factors of NIST Special Publication 811 (2008), appendix B.8."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import BaseModel, ConfigDict

from monitord.model.quantity import Quantity
from monitord.model.units import Units, quantity_in, read_in, size_in, unit_in, value_in


@pytest.mark.parametrize(
    ("value", "unit", "read", "sign"),
    [
        (20.0, "°C", 68.0, "°F"),
        (-40.0, "°C", -40.0, "°F"),
        (5.0, "K", 9.0, "°F"),  # a difference: no 32
        (3386.389, "Pa", 1.0, "inHg"),
        (1000.0, "Pa", 0.2953, "inHg"),
        (1.0, "g/kg", 7.0, "gr/lb"),  # 7000 grains are one pound
        (25.4, "mm", 1.0, "in"),
        (0.3048, "m", 1.0, "ft"),
        (453.59237, "g/h", 1.0, "lb/h"),
        (-1.0, "K/day", -1.8, "°F/day"),
        (338.6389, "Pa/day", 0.1, "inHg/day"),
        (75.0, "% RH", 75.0, "% RH"),
        (12.0, "% MC", 12.0, "% MC"),
        (2.6, "V", 2.6, "V"),
        (3.0, "", 3.0, ""),
    ],
)
def test_a_value_is_read_in_the_readers_units(value: float, unit: str, read: float, sign: str) -> None:
    assert unit_in(unit, Units.US) == sign
    assert value_in(value, unit, Units.US) == pytest.approx(read, rel=1e-4)
    assert (unit_in(unit, Units.METRIC), value_in(value, unit, Units.METRIC)) == (unit, value)


def test_an_uncertainty_of_a_temperature_is_a_difference() -> None:
    assert size_in(0.5, "°C", Units.US) == pytest.approx(0.9)
    read = quantity_in(Quantity(value=20.0, unit="°C", u=0.5), Units.US)
    assert (read.value, read.unit, read.u) == (pytest.approx(68.0), "°F", pytest.approx(0.9))
    assert quantity_in(read, Units.US) == read, "what is converted already stays"
    assert quantity_in(Quantity(value=20.0, unit="°C"), Units.US).u is None


def test_what_is_missing_stays_missing() -> None:
    read = value_in(np.array([0.0, np.nan]), "°C", Units.US)
    assert read[0] == pytest.approx(32.0)
    assert np.isnan(read[1])


class Progress(BaseModel):
    """As models of the program are: a quantity, bare numbers beside a unit, parts, words."""

    model_config = ConfigDict(frozen=True)

    unit: str
    limit: float
    start_value: float | None
    value: Quantity
    parts: tuple[Quantity, ...] = ()


def test_every_quantity_of_a_model_is_read() -> None:
    progress = Progress(
        unit="Pa",
        limit=338.6389,
        start_value=3386.389,
        value=Quantity(value=677.2778, unit="Pa", u=33.86389),
        parts=(Quantity(value=-33.86389, unit="Pa/day"),),
    )
    read = read_in(progress, Units.US)
    assert (read.unit, read.limit, read.start_value) == ("inHg", pytest.approx(0.1), pytest.approx(1.0))
    assert (read.value.value, read.value.u) == (pytest.approx(0.2), pytest.approx(0.01))
    assert (read.parts[0].value, read.parts[0].unit) == (pytest.approx(-0.01), "inHg/day")
    assert read_in(progress, Units.METRIC) is progress
