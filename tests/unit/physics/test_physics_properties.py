"""What must hold for any reading, not only for tabulated ones."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.physics.concrete import relative_diffusivity, sealed_hole_humidity
from monitord.physics.moist_air import (
    dew_or_frost_point,
    dew_point,
    humidity_ratio,
    relative_humidity,
    saturation_vapour_pressure,
    vapour_pressure,
    wet_bulb,
)
from monitord.physics.mould.index import MouldMaterial, MouldState, mould_run
from monitord.physics.surfaces import (
    condensation_margin,
    surface_relative_humidity,
    surface_temperature_from_factor,
)
from monitord.physics.uncertainty import combine, probability_below, u_dew_point, u_vapour_pressure
from monitord.physics.wood import equilibrium_moisture_content

airs = st.floats(-40.0, 60.0)
humidities = st.floats(1.0, 100.0)
pressures = st.floats(60_000.0, 110_000.0)
conventions = st.sampled_from(["water", "ice"])
few = settings(max_examples=60, deadline=None)


@few
@given(airs, st.floats(0.001, 5.0), st.sampled_from(["auto", "water"]))
def test_warmer_air_can_hold_more(t, more, over):
    assert saturation_vapour_pressure(t + more, over) > saturation_vapour_pressure(t, over)


@few
@given(airs, humidities, conventions)
def test_dew_point_of_unsaturated_air_lies_at_or_below_the_air(t, rh, over):
    """WMO plausibility (Zahumenský 2004): Td <= T; over water by the water convention, over ice by the other."""
    p = vapour_pressure(t, rh, over)
    td = dew_point(p) if over == "water" else dew_or_frost_point(p)
    assert td <= t + 1e-9
    assert relative_humidity(t, p, over) == pytest.approx(rh, rel=1e-12)


@few
@given(airs, humidities, conventions)
def test_a_dew_point_comes_back(t, rh, over):
    p = vapour_pressure(t, rh, over)
    assert saturation_vapour_pressure(dew_point(p), "water") == pytest.approx(p, rel=1e-10)


@few
@given(st.floats(-40.0, 60.0), st.floats(1.0, 99.0), pressures)
def test_wet_bulb_lies_between_dew_point_and_air(t, rh, pressure):
    bulb = wet_bulb(t, rh, pressure, "ice")
    p = vapour_pressure(t, rh, "ice")
    assert dew_or_frost_point(p) - 1e-6 <= bulb <= t + 1e-9


@few
@given(airs, st.floats(1.0, 90.0), st.floats(0.1, 10.0), pressures)
def test_more_humidity_means_more_of_everything(t, rh, more, pressure):
    drier, wetter = vapour_pressure(t, rh), vapour_pressure(t, rh + more)
    assert wetter > drier
    assert dew_point(wetter) > dew_point(drier)
    assert humidity_ratio(wetter, pressure) > humidity_ratio(drier, pressure)
    assert wet_bulb(t, rh + more, pressure) >= wet_bulb(t, rh, pressure) - 1e-9


@few
@given(st.lists(st.tuples(airs, humidities), min_size=1, max_size=8), conventions)
def test_arrays_are_element_by_element_and_broadcast(states, over):
    t, rh = np.array(states).T
    p = vapour_pressure(t, rh, over)
    assert p == pytest.approx([vapour_pressure(a, b, over) for a, b in states], rel=1e-12)
    assert dew_or_frost_point(p) == pytest.approx([dew_or_frost_point(float(x)) for x in p], abs=1e-9)
    grid = vapour_pressure(t[:, np.newaxis], rh, over)
    assert grid.shape == (len(states), len(states))
    assert np.diagonal(grid) == pytest.approx(p, rel=1e-12)
    bulbs = wet_bulb(t, rh, 101_325.0, over)
    assert bulbs == pytest.approx([wet_bulb(a, b, 101_325.0, over) for a, b in states], abs=1e-7)


@few
@given(st.floats(-20.0, 60.0), st.floats(5.0, 100.0), st.floats(0.01, 1.0), st.floats(0.1, 5.0))
def test_uncertainty_grows_with_the_uncertainty_of_each_input(t, rh, u_t, u_rh):
    for function in (u_vapour_pressure, u_dew_point):
        base = function(t, rh, u_t, u_rh)
        assert function(t, rh, 2 * u_t, u_rh) > base
        assert function(t, rh, u_t, 2 * u_rh) > base
        assert function(t, rh, 2 * u_t, 2 * u_rh) == pytest.approx(2 * base, rel=1e-12)
        assert function(t, rh, 0.0, 0.0) == 0.0


@few
@given(st.floats(0.0, 50.0), st.floats(0.0, 50.0))
def test_combined_uncertainty_is_between_the_largest_and_the_sum(a, b):
    assert max(a, b) - 1e-9 <= combine(a, b) <= a + b + 1e-9


@few
@given(st.floats(-50.0, 50.0), st.floats(0.0, 10.0), st.floats(-50.0, 50.0))
def test_probabilities_of_both_sides_make_one(value, u, limit):
    below = probability_below(value, u, limit)
    assert 0.0 <= below <= 1.0
    if value != limit:
        assert below + probability_below(-value, u, -limit) == pytest.approx(1.0, abs=1e-12)
        assert (below >= 0.5) == (value < limit) or below == pytest.approx(0.5, abs=1e-12)
    assert probability_below(np.array([value]), u, limit)[0] == pytest.approx(below, abs=1e-12)


@few
@given(st.floats(-30.0, 40.0), st.floats(-30.0, 40.0), st.floats(0.0, 1.0))
def test_the_temperature_factor_comes_back(room, outdoor, factor):
    surface = surface_temperature_from_factor(factor, room, outdoor)
    assert min(room, outdoor) - 1e-9 <= surface <= max(room, outdoor) + 1e-9


@few
@given(st.floats(-20.0, 40.0), st.floats(-20.0, 40.0), humidities)
def test_a_surface_over_100_percent_is_a_surface_below_the_dew_point(surface, t, rh):
    p = vapour_pressure(t, rh)
    margin = condensation_margin(surface, p)
    if abs(margin) > 1e-6:
        assert (surface_relative_humidity(surface, p) > 100.0) == (margin < 0.0)


@few
@given(st.floats(-20.0, 60.0), st.floats(0.5, 100.0), st.floats(0.01, 4.0))
def test_wood_takes_more_water_from_damper_air_and_back(t, rh, more):
    content = equilibrium_moisture_content(t, rh)
    assert equilibrium_moisture_content(t, rh + more) > content


@few
@given(st.floats(1.0, 99.0), st.floats(0.0, 40.0), st.floats(0.1, 15.0))
def test_warming_dries_a_void_and_dampens_a_sealed_hole(rh, t, warming):
    assert sealed_hole_humidity(rh, t, t + warming) > rh


@few
@given(st.floats(0.0, 0.99), st.floats(0.001, 0.01))
def test_wetter_concrete_conducts_moisture_at_least_as_well(h, more):
    assert 0.05 <= relative_diffusivity(h) <= relative_diffusivity(h + more) <= 1.0


climates = st.lists(st.tuples(st.floats(-10.0, 45.0), st.floats(40.0, 105.0)), min_size=2, max_size=60)


@few
@given(climates, st.floats(0.0, 6.0), st.integers(0, 59))
def test_a_missing_hour_holds_the_mould_index(climate, start, position):
    """A gap is unknown, not dry: the index is held, the hour is counted, and what follows is as if it had not been."""
    t, rh = np.array(climate).T
    gap = position % len(t)
    state = MouldState.start(1, start)
    whole = mould_run(t, rh, MouldMaterial(), state)
    assert np.all((whole.index >= 0.0) & (whole.index <= 6.0 + 1e-9))
    with_gap = mould_run(np.insert(t, gap, np.nan), np.insert(rh, gap, 50.0), MouldMaterial(), state)
    assert with_gap.index[gap] == (with_gap.index[gap - 1] if gap else start)
    assert np.delete(with_gap.index, gap) == pytest.approx(whole.index, abs=1e-12)
    assert with_gap.state.unknown_hours[0] == 1.0
    assert with_gap.state.dry_hours[0] == whole.state.dry_hours[0]


@few
@given(climates, st.floats(0.0, 5.0))
def test_a_damper_surface_never_has_less_mould_at_once(climate, damper):
    t, rh = np.array(climate).T
    drier = mould_run(t[:1], rh[:1], MouldMaterial(), MouldState.start(1, 2.0)).index[0]
    wetter = mould_run(t[:1], rh[:1] + damper, MouldMaterial(), MouldState.start(1, 2.0)).index[0]
    assert wetter >= drier - 1e-12
