"""Water that comes while a slab dries: when it is told, what it does to the members, and what comes after."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from futures import days_of

from monitord.analysis.slabs.posterior.ensemble import Ensemble, begin, next_day
from monitord.analysis.slabs.posterior.forward_model import grid_of
from monitord.analysis.slabs.posterior.members import Members, members_of
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.analysis.slabs.posterior.sleeve_runs import slab_of
from monitord.analysis.slabs.posterior.water import fed_since, rises, wetted
from monitord.model.series import Array

from analysis_series import SLEEVE, location  # isort: skip

SLAB = slab_of(location(SLEEVE))


def one_member() -> Members:
    return members_of(np.zeros((1, len(Members._fields) - 1)), np.array([False]))


def judged(last_two: float, t: Array | float = 20.0, skipped: tuple[int, ...] = ()) -> bool:
    """Whether a rise of the last day over a member that tells 90 % is water."""
    reading = np.full(20, 90.35 * 1.0)
    reading[-1] += last_two
    record = days_of(reading, t=t)
    return rises(record, skipped, np.full((1, 20), 0.9), np.array([10.0]), np.array([1.0]))


def test_a_rise_of_one_point_two_percent_over_the_prediction_is_water() -> None:
    assert judged(1.25)
    assert not judged(1.15)


def test_a_change_of_temperature_asks_for_more() -> None:
    """Two kelvins up: the slope of 0.35 %/K explains 0.7, and 0.4 more is asked for."""
    t = np.r_[np.full(19, 20.0), 22.0]
    assert not judged(0.7 + 1.2 + 0.35, t)
    assert judged(0.7 + 1.2 + 0.45, t)


def test_it_is_held_against_five_counted_days_three_days_before() -> None:
    reading = np.full(20, 90.0)
    reading[-4:] += np.array([0.4, 0.8, 1.0, 1.3])  # slow water: its own last days are no measure
    record = days_of(reading)
    told = (np.full((1, 20), 0.9), np.array([10.0]), np.array([1.0]))
    assert rises(record, (), *told)
    assert not rises(record.until(8), (), np.full((1, 8), 0.9), *told[1:])
    assert not rises(record, (19,), *told)  # a day that does not count tells nothing


def test_no_water_is_told_within_four_days_of_sealing() -> None:
    reading = np.full(20, 90.0)
    reading[-1] += 2.0
    told = (np.full((1, 20), 0.9), np.array([10.0]), np.array([1.0]))
    for since, water in ((95.0, False), (97.0, True)):
        record = days_of(reading)
        record = replace(record, since_sealed_h=record.since_sealed_h - record.since_sealed_h[-1] + since)
        assert rises(record, (), *told) == water


def test_water_is_a_bell_about_the_sleeve_and_never_more_than_saturation() -> None:
    grid = grid_of(0.1, 0.04)
    member = one_member()._replace(water=np.array([0.05]), water_spread=np.array([0.2]))
    gained = wetted(member, grid, np.full((1, 16), 0.8)) - 0.8
    assert grid.at_sleeve(gained)[0] == pytest.approx(0.05, abs=0.001)
    assert np.interp(0.06, grid.depth_m, gained[0]) == pytest.approx(0.05 * np.exp(-0.5), abs=0.001)
    assert wetted(member, grid, np.full((1, 16), 0.99)).max() == 1.0


def test_a_supply_may_come_with_the_water_and_begins_with_it() -> None:
    member = one_member()._replace(new_supply_kg_m2_s=np.array([3e-6]), supply_begins=np.array([0.9]))
    for share, fed in ((0.51, True), (0.49, False)):
        since = fed_since(member._replace(feed_comes=np.array([share])))
        assert bool(since.fed[0]) is fed
        assert (since.supply_kg_m2_s[0] == 3e-6) == fed
        assert bool(since.on(0).fed[0]) is fed


@pytest.mark.parametrize(("day", "fed"), [(44, False), (46, True)])
def test_a_supply_that_begins_later_feeds_nothing_before(day: int, fed: bool) -> None:
    """Half of ninety days."""
    member = one_member()._replace(supply_begins=np.array([0.5]), fed=np.array([True]))
    assert bool(member.on(day).fed[0]) is fed


def test_before_any_reading_a_third_of_the_slabs_is_fed_and_none_that_dries_from_both_faces() -> None:
    record = days_of(np.full(3, 90.0))
    assert begin(SLAB, record).population.fed.mean() == pytest.approx(0.35, abs=0.01)
    both = slab_of(location(SLEEVE, depth_mm=20.0, slab_thickness_mm=100.0, drying_sides=2))
    assert not begin(both, record).population.fed.any()


def marched(days: SleeveDays) -> Ensemble:
    ensemble = begin(SLAB, days, 128)
    for _ in range(len(days)):
        ensemble = next_day(SLAB, days, ensemble)
    return ensemble


def test_two_days_in_a_row_are_a_dated_event_that_the_ensemble_then_holds() -> None:
    reading = 92.0 - 0.1 * np.arange(40.0)
    reading[20:] += 5.0
    found = marched(days_of(reading))
    assert found.event == 20
    assert set(found.skipped) == {20, 21, 22, 23}
    level = 100.0 * float(found.population.weights @ found.concrete[:, -1])
    before = 100.0 * float(found.population.weights @ found.concrete[:, 19])
    assert level - before == pytest.approx(reading[-1] - reading[19], abs=1.0)


def test_one_day_that_stands_out_is_left_out_and_is_no_event() -> None:
    reading = 92.0 - 0.1 * np.arange(40.0)
    reading[20] += 5.0
    found = marched(days_of(reading))
    assert (found.event, found.skipped) == (None, (20,))
