"""Speed that other parts count on: processor time, so that a busy machine passes as well as an idle one."""

import time

import numpy as np

from monitord.physics.moist_air import dew_point, vapour_pressure
from monitord.physics.mould.index import SENSITIVITIES, MouldMaterial, mould_run


def best_of(repeats, function):
    """Least processor time of several runs. [s]"""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        function()
        times.append(time.process_time() - start)
    return min(times)


def test_a_year_of_100_surfaces_goes_through_the_mould_model_in_under_2_seconds():
    rng = np.random.default_rng(1)
    t, rh = rng.normal(12.0, 8.0, (8760, 100)), rng.uniform(30.0, 105.0, (8760, 100))
    materials = [MouldMaterial(list(SENSITIVITIES.values())[i % 4]) for i in range(100)]
    assert best_of(2, lambda: mould_run(t, rh, materials)) < 2.0


def test_vapour_pressure_and_dew_point_of_a_year_cost_less_than_100_exponentials_a_value():
    t, rh = np.linspace(-5.0, 35.0, 8760), np.linspace(20.0, 99.0, 8760)
    p, one = vapour_pressure(t, rh), best_of(9, lambda: np.exp(t / 35.0))
    assert best_of(5, lambda: vapour_pressure(t, rh)) < 100.0 * one
    assert best_of(5, lambda: dew_point(p)) < 100.0 * one
