"""The air to come: the last week's, or since it changed; with its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest
from futures import END_S, days_of

from monitord.analysis.slabs.posterior.present_air import present_air
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure

SATURATED = float(saturation_vapour_pressure(20.0))


def seen(humidity: Array, t: Array | float = 20.0):  # type: ignore[no-untyped-def]
    return present_air(days_of(np.full(len(humidity), 90.0), humidity, t))


def test_calm_air_is_the_mean_of_seven_days_with_the_spread_as_uncertainty() -> None:
    humidity = np.r_[np.full(13, 60.0), 50.0 + np.array([0.0, 1.0, -1.0, 2.0, -2.0, 1.0, -1.0])]
    found = seen(np.r_[np.full(14, 50.0), humidity[-7:]])
    assert found.vapour_pressure_pa == pytest.approx(0.5 * SATURATED)
    assert found.humidity_pct == pytest.approx(50.0)
    spread = 0.01 * SATURATED * np.sqrt(12.0 / 7.0)
    assert found.u_vapour_pressure_pa == pytest.approx(max(spread / np.sqrt(3.5), 15.0))


def test_the_uncertainty_of_air_that_never_changes_is_fifteen_pascal() -> None:
    assert seen(np.full(20, 50.0)).u_vapour_pressure_pa == 15.0


@pytest.mark.parametrize(
    ("days", "rise", "changed"),
    [(1, 4.2, True), (1, 3.8, False), (2, 3.2, True), (2, 2.8, False), (4, 2.7, True), (4, 2.3, False)],
)
def test_only_the_days_since_a_change_of_the_air_count(days: int, rise: float, changed: bool) -> None:
    humidity = np.full(30, 45.0)
    humidity[-days:] += rise
    expected = 45.0 + rise if changed else 45.0 + rise * days / 7.0
    assert seen(humidity).humidity_pct == pytest.approx(expected)


def test_a_change_within_three_standard_errors_of_six_restless_days_is_none() -> None:
    restless = 50.0 + 4.0 * np.tile([1.0, -1.0], 15)
    error = 4.0 * np.sqrt(6.0 / 5.0) * np.sqrt(1.0 / 6.0 + 1.0)
    for rise, changed in ((0.95 * 3.0 * error, False), (1.05 * 3.0 * error, True)):
        humidity = restless.copy()
        humidity[-1] = 50.0 + rise
        assert bool(seen(humidity).humidity_pct == pytest.approx(50.0 + rise)) == changed


def test_wetter_air_is_told_against_its_driest_three_days_and_since_when() -> None:
    humidity = np.r_[np.full(10, 55.0), np.full(3, 40.0), np.full(5, 42.0), np.full(7, 60.0)]
    found = seen(humidity)
    assert found.wetter_pct == pytest.approx(20.0)
    assert found.wetter_since_s == END_S + 18 * 86_400.0
    single = np.r_[np.full(10, 55.0), 40.0, np.full(14, 55.0)]
    assert seen(single).wetter_pct == pytest.approx(5.0)


def test_air_that_nobody_measures_is_no_cause() -> None:
    found = seen(np.full(20, np.nan))
    assert np.isnan(found.vapour_pressure_pa)
    assert (found.wetter_pct, found.wetter_since_s) == (0.0, None)
