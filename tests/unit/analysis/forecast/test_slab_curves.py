"""A drying slab at one depth: what must hold for any. Closed forms are in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.forecast.slab_curves import slab_curve

DEPTHS, STARTS, SURFACES = st.floats(0.05, 1.0), st.floats(0.85, 1.0), st.floats(0.3, 0.8)


@settings(max_examples=25, deadline=None)
@given(DEPTHS, STARTS, SURFACES)
def test_humidity_falls_from_its_start_towards_the_surfaces(depth: float, initial: float, surface: float) -> None:
    curve = slab_curve(depth, initial, surface)
    # start and surface are rounded to 0.02 so that curves are used again
    assert curve.humidity[0] == pytest.approx(initial, abs=0.011)
    assert (np.diff(curve.humidity) <= 1e-12).all()
    assert curve.humidity.min() >= surface - 0.011
    assert curve.s[0] == 0.0


@settings(max_examples=15, deadline=None)
@given(STARTS, SURFACES)
def test_deeper_is_wetter_at_any_time(initial: float, surface: float) -> None:
    shallow, middle, deep = (slab_curve(depth, initial, surface).humidity for depth in (0.2, 0.5, 1.0))
    assert (shallow <= middle + 1e-9).all()
    assert (middle <= deep + 1e-9).all()


@settings(max_examples=25, deadline=None)
@given(DEPTHS, STARTS, SURFACES, st.floats(0.02, 0.98))
def test_the_time_of_a_humidity_is_when_the_curve_passes_it(
    depth: float, initial: float, surface: float, share: float
) -> None:
    curve = slab_curve(depth, initial, surface)
    h = float(curve.humidity[0] + share * (curve.humidity[-1] - curve.humidity[0]))
    assert float(np.interp(curve.time_at(h), curve.s, curve.humidity)) == pytest.approx(h, abs=1e-9)


def test_what_is_reached_at_once_and_what_never_is() -> None:
    curve = slab_curve(0.4, 0.96, 0.5)
    assert curve.time_at(np.array([1.0, 0.96, 0.49])).tolist() == [0.0, 0.0, np.inf]


def test_drying_slows_many_times_past_eighty_percent() -> None:
    # Bažant and Najjar 1972: diffusivity falls 10 to 20 times between 90 and 60 % RH, centred near 80; the rate at a
    # depth falls with it (less, for the profile steepens). A straight line through the fast part would promise the goal
    # far too early.
    curve = slab_curve(0.4, 0.98, 0.5)
    assert float(curve.time_at(0.75) - curve.time_at(0.80)) > 2.0 * float(curve.time_at(0.90) - curve.time_at(0.95))
