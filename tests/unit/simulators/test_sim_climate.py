"""The simulated weather."""

from __future__ import annotations

import numpy as np
import pytest

from monitord.physics.moist_air import relative_humidity
from simulators.building.climate import CLIMATES, Climate, Spell, Weather, ar_noise, lagged, make_weather

BY_NAME = {climate.name: climate for climate in CLIMATES}
JANUARY, JULY = 1_735_689_600.0, 1_751_328_000.0


def year(climate: Climate, start: float = JANUARY, days: int = 365, seed: int = 4) -> Weather:
    return make_weather(climate, climate.zones[0], np.random.default_rng(seed), start, days * 24, 3600.0)


@pytest.mark.parametrize("climate", CLIMATES, ids=lambda c: c.name)
def test_outdoor_air_is_never_above_saturation(climate: Climate) -> None:
    weather = year(climate)
    rh = relative_humidity(weather.temperature_c, weather.vapour_pressure_pa, "water")
    assert rh.max() <= 100.0 + 1e-9
    assert rh.min() > 2.0
    assert 45.0 < rh.mean() < 90.0


@pytest.mark.parametrize("climate", CLIMATES, ids=lambda c: c.name)
def test_the_mean_of_a_year_is_the_climates(climate: Climate) -> None:
    """Within the wandering of fronts over one year."""
    assert year(climate).temperature_c.mean() == pytest.approx(climate.mean_c, abs=1.6)


def test_hard_winters_reach_minus_twenty_and_mild_ones_do_not() -> None:
    coldest = [
        min(year(BY_NAME[name], seed=s).temperature_c.min() for s in range(4)) for name in ("nordic", "maritime")
    ]
    assert coldest[0] < -20.0
    assert coldest[1] > -16.0


def test_seasons_are_turned_round_in_the_south() -> None:
    north, south = BY_NAME["maritime"], BY_NAME["southern"]
    assert year(north, JULY, 40).temperature_c.mean() > year(north, JANUARY, 40).temperature_c.mean() + 6
    assert year(south, JULY, 40).temperature_c.mean() < year(south, JANUARY, 40).temperature_c.mean() - 5


def test_days_are_warmer_than_nights() -> None:
    weather = year(BY_NAME["dry_upland"], JULY, 40)
    hours = weather.temperature_c.reshape(-1, 24).mean(axis=0)
    assert hours.max() - hours.min() > 6.0


def test_a_spell_changes_only_its_own_days() -> None:
    climate, n = BY_NAME["continental"], 30 * 24
    spell = Spell(JANUARY + 10 * 86_400, JANUARY + 16 * 86_400, shift_c=-10.0)
    plain, cold = (
        make_weather(climate, "Europe/Berlin", np.random.default_rng(1), JANUARY, n, 3600.0, spells)
        for spells in ((), (spell,))
    )
    difference = cold.temperature_c - plain.temperature_c
    assert np.allclose(difference[: 10 * 24], 0.0)
    assert np.allclose(difference[16 * 24 :], 0.0)
    assert difference[13 * 24] == pytest.approx(-10.0)


def test_a_damp_spell_brings_the_dew_point_up_to_the_air() -> None:
    climate, n = BY_NAME["continental"], 20 * 24
    damp = Spell(JULY + 5 * 86_400, JULY + 15 * 86_400, damp=0.9)
    plain, wet = (
        make_weather(climate, "Europe/Berlin", np.random.default_rng(1), JULY, n, 3600.0, spells)
        for spells in ((), (damp,))
    )
    during = slice(8 * 24, 12 * 24)
    assert wet.vapour_pressure_pa[during].mean() > 1.1 * plain.vapour_pressure_pa[during].mean()
    assert np.array_equal(wet.temperature_c, plain.temperature_c)


def test_noise_has_the_asked_spread_and_memory() -> None:
    """AR(1): autocorrelation exp(-step/tau)."""
    noise = ar_noise(np.random.default_rng(0), 200_000, 600.0, 6000.0, 2.0)
    assert noise.std() == pytest.approx(2.0, rel=0.05)
    assert np.corrcoef(noise[1:], noise[:-1])[0, 1] == pytest.approx(np.exp(-0.1), abs=0.01)


def test_a_lag_comes_to_a_step_as_an_exponential() -> None:
    """0.63212 of the way after one time constant (exponential approach, tables)."""
    step = np.concatenate([np.zeros(1000), np.ones(1000)])
    out = lagged(step, 60.0, 6000.0)
    assert out[1000 + 99] == pytest.approx(0.63212, abs=1e-4)
