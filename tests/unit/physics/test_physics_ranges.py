"""Every physics function keeps its range, passes missing values through arrays, and gives a float for floats.

The ranges are those of the docstrings; where each comes from is said there.
"""

import numpy as np
import pytest

from monitord.errors import MonitordError, PhysicsRangeError
from monitord.physics import (
    concrete,
    fixed_points,
    moist_air,
    surfaces,
    uncertainty,
    units,
    wood,
)
from monitord.physics.mould import criteria, index

# function; arguments that are in range; for each of them values that are not (None: no such value)
CASES = [
    (moist_air.saturation_vapour_pressure, (20.0,), [(-100.1, 200.1)]),
    (moist_air.saturation_slope, (20.0,), [(-100.1, 200.1)]),
    (moist_air.vapour_pressure, (20.0, 50.0), [(-80.1, 200.1), (-0.1, 105.1)]),
    (moist_air.relative_humidity, (20.0, 1000.0), [(-80.1, 200.1), (-0.1, 1.8e6)]),
    (moist_air.dew_point, (1000.0,), [(0.0, -1.0, 0.1, 1.6e6)]),
    (moist_air.dew_or_frost_point, (1000.0,), [(0.0, 0.0014, 1.6e6)]),
    (moist_air.humidity_ratio, (1000.0, 101_325.0), [(-0.1, 95_000.0), (19_999.0, 120_001.0)]),
    (moist_air.standard_pressure, (100.0,), [(-1001.0, 11_001.0)]),
    (moist_air.wet_bulb, (20.0, 50.0, 1e5), [(-60.1, 80.1), (-0.1, 105.1), (0.0, 2e5)]),
    (uncertainty.rectangular, (2.0,), [(-0.1,)]),
    (uncertainty.u_vapour_pressure, (20.0, 50.0, 0.1, 1.0), [(-81.0, 201.0), (-1.0, 106.0), (-0.1,), (-0.1,)]),
    (uncertainty.u_dew_point, (20.0, 50.0, 0.1, 1.0), [(-81.0, 201.0), (0.0, 106.0), (-0.1,), (-0.1,)]),
    (uncertainty.u_dew_or_frost_point, (20.0, 50.0, 0.1, 1.0), [(-81.0, 201.0), (0.0, 106.0), (-0.1,), (-0.1,)]),
    (
        uncertainty.u_humidity_ratio,
        (20.0, 50.0, 0.1, 1.0, 1e5, 0.0),
        [(-81.0, 201.0), (-1.0, 106.0), (-0.1,), (-0.1,), (1.0, 2e5), (-1.0,)],
    ),
    (uncertainty.combine, (1.0, 2.0), [(-0.1,), (-0.1,)]),
    (uncertainty.probability_below, (1.0, 0.5, 0.0), [(np.inf,), (-0.1,), (-np.inf,)]),
    (surfaces.surface_temperature_from_factor, (0.7, 20.0, 0.0), [(-0.01, 1.01), (-101.0, 101.0), (-101.0, 101.0)]),
    (
        surfaces.u_surface_temperature_from_factor,
        (0.7, 20.0, 0.0, 0.03, 0.2, 0.2),
        [(-0.01, 1.01), (-101.0, 101.0), (-101.0, 101.0), (-0.01, 1.01), (-0.1,), (-0.1,)],
    ),
    (surfaces.surface_relative_humidity, (14.0, 1000.0), [(-100.1, 200.1), (-0.1, 1.8e6)]),
    (surfaces.condensation_margin, (14.0, 1000.0), [(-100.1, 200.1), (0.0, 1.6e6)]),
    (surfaces.u_condensation_margin, (0.3, 0.2), [(-0.1,), (-0.1,)]),
    (surfaces.probability_of_condensation, (1.0, 0.3), [(np.inf,), (-0.1,)]),
    (wood.equilibrium_moisture_content, (20.0, 50.0), [(-40.1, 132.1), (-0.1, 105.1)]),
    (concrete.relative_diffusivity, (0.8,), [(-0.01, 1.06, 75.0)]),
    (concrete.diffusivity_temperature_factor, (20.0,), [(-21.0, 81.0)]),
    (concrete.sealed_humidity_slope, (0.8,), [(-0.01, 1.06, 75.0)]),
    (concrete.sealed_hole_humidity, (75.0, 20.0, 25.0), [(-0.1, 105.1), (-21.0, 81.0), (-21.0, 81.0)]),
    (index.critical_humidity, (15.0,), [(-101.0, 201.0)]),
]
IDS = [case[0].__name__ for case in CASES]


@pytest.mark.parametrize(("function", "good", "bad"), CASES, ids=IDS)
def test_floats_give_a_float_and_arrays_an_array_of_the_same_values(function, good, bad):
    value = function(*good)
    assert type(value) is float
    arrays = function(*(np.full((2, 3), x) for x in good))
    assert arrays.shape == (2, 3)
    assert arrays == pytest.approx(value, rel=1e-12)
    assert type(function(*(int(x) if float(x).is_integer() else x for x in good))) is float


@pytest.mark.parametrize(("function", "good", "bad"), CASES, ids=IDS)
def test_out_of_range_is_refused_not_clamped(function, good, bad):
    assert len(bad) == len(good)
    for position, values in enumerate(bad):
        for value in (*values, np.nan):
            arguments = [*good]
            arguments[position] = value
            with pytest.raises(PhysicsRangeError):
                function(*arguments)
            if not np.isnan(value):
                arguments[position] = np.array([good[position], value])
                with pytest.raises(PhysicsRangeError):
                    function(*arguments)


@pytest.mark.parametrize(("function", "good", "bad"), CASES, ids=IDS)
def test_a_missing_value_in_an_array_stays_missing_and_alone(function, good, bad):
    for position in range(len(good)):
        arguments = [*good]
        arguments[position] = np.array([good[position], np.nan, good[position]])
        result = function(*arguments)
        assert np.isnan(result).tolist() == [False, True, False]
        assert result[0] == pytest.approx(function(*good), rel=1e-12)


@pytest.mark.parametrize(("function", "good", "bad"), CASES, ids=IDS)
def test_an_empty_array_gives_an_empty_array(function, good, bad):
    assert function(np.array([]), *good[1:]).shape == (0,)


def test_a_range_error_says_what_why_and_what_to_do():
    with pytest.raises(PhysicsRangeError) as caught:
        moist_air.vapour_pressure(np.array([20.0, 21.0]), np.array([50.0, 140.0]))
    error = caught.value
    assert isinstance(error, MonitordError)
    assert isinstance(error, ValueError)
    assert "relative_humidity_pct is 140 %" in error.message
    assert "from 0 to 105 %" in error.message
    assert "NaN" in error.message


@pytest.mark.parametrize(
    "call",
    [
        lambda: moist_air.saturation_vapour_pressure(20.0, "steam"),
        lambda: moist_air.saturation_vapour_pressure(1.0, "ice"),
        lambda: moist_air.saturation_vapour_pressure(-80.1, "water"),
        lambda: moist_air.vapour_pressure(20.0, 50.0, "frost"),
        lambda: fixed_points.salt_humidity("sugar", 20.0),
        lambda: fixed_points.salt_humidity("NaCl", 50.1),
        lambda: fixed_points.u_salt_humidity("sugar"),
        lambda: units.convert(1.0, "°C", "Pa"),
        lambda: units.convert(1.0, "furlong", "m"),
        lambda: units.convert(-500.0, "°F", "K"),
        lambda: units.convert(float("nan"), "°C", "K"),
        lambda: units.convert_difference(1.0, "K", "hPa"),
        lambda: wood.lagged(np.ones(3), 0.0, 1.0),
        lambda: wood.lagged(np.ones(3), 24.0, float("nan")),
        lambda: index.MouldState.start(2, 6.1),
        lambda: index.mould_run(np.ones((3, 2)), np.full((3, 2), -1.0), index.MouldMaterial()),
        lambda: index.mould_run(np.full((3, 2), 201.0), np.ones((3, 2)), index.MouldMaterial()),
        lambda: index.mould_run(np.ones((3, 2)), np.ones((3, 2)), [index.MouldMaterial()] * 3),
        lambda: index.mould_run(np.ones((3, 2)), np.ones((3, 2)), index.MouldMaterial(), index.MouldState.start(1)),
        lambda: index.mould_run(np.ones(3), np.ones(3), index.MouldMaterial(decline=-1.0)),
        lambda: index.mould_run(np.ones(3), np.ones(3), index.MouldMaterial(kind_of_wood=2.0)),
        lambda: index.mould_step(index.MouldState.start(1), float("nan"), 50.0, index.MouldMaterial()),
        lambda: index.mould_growth_rate(20.0, 90.0, 6.1, index.MouldMaterial()),
        lambda: index.days_to_index(6.1, 20.0, 90.0, 0.0, index.MouldMaterial()),
        lambda: index.weeks_to_first_growth(0.0, 90.0),
        lambda: index.weeks_to_first_growth(20.0, 101.0),
        lambda: criteria.running_mean(np.ones(5), 0),
        lambda: criteria.running_mean(np.array([1.0, np.inf]), 1),
        lambda: criteria.monthly_surface_humidity(np.ones(3, dtype=int), np.full(3, -1.0)),
        lambda: criteria.ashrae_160_exceeded(np.full(3, 201.0), np.ones(3)),
        lambda: surfaces.u_condensation_margin_from_factor(
            1.1, 20.0, 50.0, 0.0, u_f_rsi=0.1, u_room_k=0.1, u_relative_humidity_pct=1.0, u_outdoor_k=0.1
        ),
    ],
)
def test_other_wrong_arguments_are_refused_too(call):
    with pytest.raises(PhysicsRangeError):
        call()


def test_readings_a_little_over_saturation_are_computed_as_they_are():
    """Common practice: real probes read a little over 100 % in saturated air; up to 105 % counts as a reading."""
    assert moist_air.vapour_pressure(20.0, 104.0) == pytest.approx(1.04 * moist_air.saturation_vapour_pressure(20.0))
    assert moist_air.dew_point(moist_air.vapour_pressure(20.0, 104.0)) > 20.0
    assert moist_air.wet_bulb(20.0, 104.0, 101_325.0) > 20.0
    assert concrete.sealed_hole_humidity(103.0, 20.0, 10.0) == 103.0


def test_lists_are_taken_as_arrays():
    assert moist_air.saturation_vapour_pressure([0.01, 20.0]).shape == (2,)
