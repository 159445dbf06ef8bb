"""Truth is computed as TRUTH.md says, on courses whose answer is known by hand."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.building import events as ev
from simulators.building.air_equilibrium import SlabWarmth, concrete_end, enclosed_pressure, timber_end
from simulators.building.climate import Weather
from simulators.building.enclosed import Lining, Timber, Void
from simulators.building.events import Event
from simulators.building.materials import Concrete
from simulators.building.room import Heating, Room
from simulators.building.simulation import Simulation
from simulators.building.structure import Building, Depth, Slab
from simulators.rolling import centred_mean, runs, trailing_mean
from simulators.scenario import EQUILIBRIUM_RH, RH, GoalRequest
from simulators.truth.drying import label_goal, label_progress, never_spans
from simulators.truth.events import condensation
from simulators.truth.goals import choose_limit
from simulators.truth.ground_truth import Hourly, LocationHistory, hourly_metric, saturation
from simulators.truth.records import LocationTruth, Stall, Truth, as_json

DAY_S = 86_400.0
DAYS = 60
HOURS = 3600.0 * np.arange(1, DAYS * 24 + 1)
JOB = (0.0, 50 * DAY_S)


def hourly(days_to_value: dict[float, float]) -> Hourly:
    """A metric that runs straight between values on given days."""
    values = np.interp(HOURS / DAY_S, list(days_to_value), list(days_to_value.values()))
    return Hourly(HOURS, values, trailing_mean(values, 24))


def progress(
    metric: Hourly, end: float, *events: Event, wetting: tuple[tuple[float, float], ...] = ()
) -> LocationTruth:
    truth = LocationTruth("cavity")
    ends = np.full(len(HOURS), end)
    for event in events:  # an event lifts what the air allows by ten % RH
        ends[(event.start_s <= HOURS) & (event.end_s > HOURS)] += 10.0
    label_progress(truth, metric, 60.0, ends, events, wetting, JOB, 1.0)
    return truth


def days(span: tuple[float, float] | Stall) -> tuple[float, float]:
    a, b = span if isinstance(span, tuple) else (span.from_s, span.to_s)
    return round(a / DAY_S, 1), round(b / DAY_S, 1)


def test_a_steady_fall_is_no_stall() -> None:
    truth = progress(hourly({0: 90, 60: 60}), 40.0)
    assert truth.stalls == []
    assert truth.slow == []


def test_no_progress_in_air_too_damp_is_a_stall() -> None:
    truth = progress(hourly({0: 90, 20: 70, 60: 70}), 68.0)
    assert [s.cause for s in truth.stalls] == ["air"]
    assert days(truth.stalls[0])[0] == pytest.approx(20, abs=1.6)
    assert days(truth.stalls[0])[1] == pytest.approx(50, abs=0.1)


def test_no_progress_in_dry_air_is_slow() -> None:
    truth = progress(hourly({0: 90, 20: 70, 60: 69.9}), 45.0)
    assert truth.stalls == []
    assert days(truth.slow[0])[0] == pytest.approx(20, abs=1.6)


def test_no_progress_once_a_machine_has_stopped_is_a_stall_from_then_on() -> None:
    off = Event(ev.MACHINE_OFF, "room", 20 * DAY_S, 40 * DAY_S)
    truth = progress(hourly({0: 90, 20: 70, 40: 70, 60: 60}), 45.0, off)
    assert [s.cause for s in truth.stalls] == [ev.MACHINE_OFF]
    assert days(truth.stalls[0]) == pytest.approx((20.0, 40.0), abs=1.1)


def test_what_weather_lifts_over_a_goal_that_was_met_lately_judges_nobody() -> None:
    truth = progress(hourly({0: 90, 10: 58, 12: 58, 14: 70, 50: 70, 60: 70}), 68.0)
    assert truth.stalls == []
    assert days(truth.unclear[0])[0] == pytest.approx(13, abs=1.6)


def test_three_days_without_progress_are_no_stall() -> None:
    off = Event(ev.MACHINE_OFF, "room", 20 * DAY_S, 22 * DAY_S)
    truth = progress(hourly({0: 90, 20: 70, 22: 70, 60: 50}), 45.0, off)
    assert truth.stalls == []
    assert truth.slow == []


def test_days_after_a_leak_are_neither_stall_nor_slow() -> None:
    truth = progress(hourly({0: 90, 20: 70, 21: 85, 35: 85, 60: 60}), 65.0, wetting=((20 * DAY_S, 36 * DAY_S),))
    assert truth.stalls == []
    assert truth.slow == []
    assert truth.wetting_days


def test_below_the_goal_nothing_stalls() -> None:
    assert progress(hourly({0: 55, 60: 55}), 58.0).stalls == []


def test_the_goal_is_met_when_its_window_says_so() -> None:
    """A metric that falls by 1 a day passes 60 on day 30; its 24 h mean does so half a day later."""
    truth = LocationTruth("cavity")
    label_goal(truth, hourly({0: 90, 60: 30}), 60.0, *JOB, np.full(len(HOURS), 30.0))
    assert truth.eta_reason == "met"
    assert truth.eta_s == pytest.approx(30.5 * DAY_S, abs=3600.0)
    assert days(truth.goal_met[0]) == pytest.approx((30.5, 50.0), abs=0.1)


def test_a_goal_met_beyond_the_end_is_later_and_one_above_the_air_never() -> None:
    later, never, beyond = LocationTruth("cavity"), LocationTruth("cavity"), LocationTruth("cavity")
    label_goal(later, hourly({0: 90, 60: 54}), 60.0, *JOB, np.full(len(HOURS), 30.0))
    label_goal(never, hourly({0: 90, 60: 70}), 60.0, *JOB, np.full(len(HOURS), 65.0))
    label_goal(beyond, hourly({0: 90, 60: 70}), 60.0, *JOB, np.full(len(HOURS), 40.0))
    assert (later.eta_reason, never.eta_reason, beyond.eta_reason) == ("later", "never", "beyond_horizon")
    assert later.eta_s == pytest.approx(50.5 * DAY_S, abs=3600.0)
    assert never.eta_s is None


def test_air_that_is_drying_itself_does_not_forbid_the_goal() -> None:
    """Equilibrium falls through the limit on day 10: from nine days before on it is not `never`."""
    truth = LocationTruth("cavity")
    metric = hourly({0: 95, 60: 70})
    end = np.interp(HOURS / DAY_S, [0, 20], [70, 50])
    never_spans(truth, metric, 60.0, end, (), JOB)
    assert truth.never_in_this_air == []
    never_spans(truth, metric, 60.0, end, ((5 * 24),), JOB)
    assert [days(s) for s in truth.never_in_this_air] == [pytest.approx((0.0, 5.0), abs=0.1)]


def _surface(margin_k: np.ndarray) -> LocationHistory:
    air = np.full(len(margin_k), 20.0)
    pressure = np.full(len(margin_k), 1402.3)  # dew point 12.0 °C at 20 °C, 60 % (ASHRAE)
    return LocationHistory(air, np.full(len(margin_k), 60.0), pressure, 12.0 + margin_k)


def test_nightly_condensation_is_one_episode_and_short_spells_are_none() -> None:
    time_s = 600.0 * np.arange(10 * 144)
    margin = np.full(len(time_s), 3.0)
    for night in (1, 2, 3):
        margin[night * 144 : night * 144 + 12] = -1.0
    margin[6 * 144 : 6 * 144 + 2] = -2.0  # twenty minutes
    margin[8 * 144 : 8 * 144 + 6] = -0.5
    found = condensation(_surface(margin), time_s, (0.0, 10 * DAY_S))
    assert [(c.from_s / DAY_S, round(c.to_s / DAY_S, 3)) for c in found] == [(1.0, 3.083), (8.0, 8.042)]
    assert found[0].hours == pytest.approx(6.0)
    assert found[0].deepest_k == pytest.approx(1.0, abs=0.05)


def _warm(top_c: float, depth_c: float, bottom_c: float) -> SlabWarmth:
    return SlabWarmth(np.array([top_c]), np.array([depth_c]), np.array([bottom_c]))


def test_concrete_comes_to_the_humidity_of_the_rooms_vapour() -> None:
    """Room and slab 20 °C, 1169.4 Pa: 50 % (saturation 2338.8 Pa); 5 K cooler at the depth: 5 x 0.45 % less.

    Slope at 50 %: 0.0135 x 0.5 x 0.5 / 0.75 = 0.0045 per kelvin (Bažant and Najjar 1972).
    """
    slab, room, feed = Slab("s", "r", 60.0, 10.0), np.array([1169.4]), np.array([1700.0])
    assert concrete_end(slab, 24.0, room, _warm(20, 20, 20), feed)[0] == pytest.approx(50.0, abs=0.1)
    assert concrete_end(slab, 24.0, room, _warm(20, 15, 15), feed)[0] == pytest.approx(50.0 - 2.25, abs=0.1)


def test_fed_concrete_comes_to_a_straight_line_of_content_where_diffusivity_is_constant() -> None:
    """Steady flux between two exchange coefficients: content falls straight from bottom to top (Fick)."""
    slab = Slab("s", "r", 60.0, 10.0, Concrete(5e-10, constant=True), feed_g=2e-9)
    room, feed = np.array([1000.0]), np.array([2300.0])
    at = [concrete_end(slab, z, room, _warm(20, 20, 20), feed)[0] for z in (0.01, 15.0, 30.0, 45.0, 59.99)]
    assert np.diff(at) == pytest.approx(np.full(4, np.mean(np.diff(at))), rel=0.02)
    assert at[-1] > at[0] + 1.0


@pytest.mark.parametrize(("feed_g", "start"), [(0.0, 0.3), (1e-9, 0.8), (4e-9, 0.8)])
def test_a_slab_left_alone_comes_to_that_end(feed_g: float, start: float) -> None:
    """The march itself, in still air for some years, against the closed form: within half a % RH."""
    slab = Slab("slab", "room", 40.0, 20.0, Concrete(1.5e-9), humidity=start, feed_g=feed_g, ground_share=0.5)
    room = Room("room", 20.0, heating=Heating(20.0, power_w=9000.0), lining_humidity=0.55, gains_w=0.0)
    n = 144 * 10
    flat = np.full(n, 1.0)
    weather = Weather(600.0 * np.arange(n), 8.0 * flat, 800.0 * flat, 0.0 * flat, 8.0, 10.0 * flat)
    simulation = Simulation(
        Building("UTC", (room,), (slab,), depths=(Depth("slab", 16.0),)), weather, np.random.default_rng(0)
    )
    simulation.run()
    history = simulation.run_on(n - 144, 36, 3000, 0.0)
    drive = simulation.slab_forcing
    warm = _warm(drive.top_c[-1, 0], history.depth_c[-1, 0], drive.bottom_c[-1, 0])
    end = concrete_end(slab, 16.0, history.vapour_pressure_pa[-1:, 0], warm, drive.feed_pa[-1:, 0])[0]
    assert 100.0 * history.depth_humidity[-1, 0] == pytest.approx(end, abs=0.5)


def test_a_voids_air_ends_between_outdoors_and_ground() -> None:
    void = Void("v", "r", 15.0, 1.0, 0.0, Lining(25.0, 3.0, 0.3, deep_g=1e-9), Timber(100.0, 20.0))
    one = np.ones(1)
    damp = enclosed_pressure(void, 1100.0 * one, 700.0 * one, 12.0 * one, one)[0]
    assert 700.0 < damp < 1402.0  # saturation at 12 °C: 1402.7 Pa
    shut = enclosed_pressure(void, 1100.0 * one, 700.0 * one, 12.0 * one, 0.05 * one)[0]
    assert shut > damp


def test_timber_ends_at_the_handbooks_value() -> None:
    """20 °C, 65 %: 12.00 % (Wood Handbook formula)."""
    assert timber_end(np.array([0.65 * 2338.8]), np.array([20.0]))[0] == pytest.approx(12.00, abs=0.02)


@pytest.mark.parametrize(
    ("wish", "limit"),
    [
        (GoalRequest(EQUILIBRIUM_RH, how="fixed", limit=75.0), 75.0),
        (GoalRequest(EQUILIBRIUM_RH, how="reach", share=0.5), 77.5),  # 90 - 25 * 0.5 and half a day's lag, in halves
        (GoalRequest(RH, how="below_end", share=2.0), 58.0),
    ],
)
def test_limits_are_chosen_as_wished(wish: GoalRequest, limit: float) -> None:
    assert choose_limit(wish, hourly({0: 90, 60: 60}), *JOB) == pytest.approx(limit, abs=0.51)


def test_what_happened_and_what_follows_are_joined_without_a_gap() -> None:
    ten_minutes = np.repeat(np.arange(48.0), 6)
    joined = hourly_metric(ten_minutes, 0.0, np.array([48.5, 50.5]), 48 * 3600.0, 7200.0, 1.0)
    assert np.allclose(np.diff(joined.hour_s), 3600.0)
    assert joined.mean.tolist() == [*range(48), 48.5, 48.5, 50.5, 50.5]


def test_means_do_not_reach_across_a_change() -> None:
    values = np.concatenate([np.zeros(50), np.ones(50)])
    assert set(centred_mean(values, 10, (50,))) == {0.0, 1.0}
    assert 0.0 < centred_mean(values, 10)[50] < 1.0


def test_stretches_are_joined_before_short_ones_are_dropped() -> None:
    flags = np.array([1, 1, 0, 1, 0, 0, 0, 1, 0], dtype=bool)
    assert runs(flags, join=2, minimum=2) == [(0, 4)]
    assert runs(flags) == [(0, 2), (3, 4), (7, 8)]


def test_truth_is_written_with_text_for_times() -> None:
    truth = Truth("leak", 3, "about", 0.0, DAY_S)
    truth.locations["wall"] = LocationTruth("cavity", hour_s=[3600.0, 7200.0], goal_met=[(3600.0, 7200.0)])
    data = as_json(truth)
    assert data["start"] == "1970-01-01T00:00:00Z"
    assert data["locations"]["wall"]["first_hour"] == "1970-01-01T01:00:00Z"
    assert data["locations"]["wall"]["goal_met"] == [["1970-01-01T01:00:00Z", "1970-01-01T02:00:00Z"]]


def test_saturation_is_over_water_in_frost_too() -> None:
    """-20 °C: 611.2 exp(17.62 (-20) / (243.12 - 20)) = 125.96 Pa over water (WMO-No. 8, Magnus); 103.2 over ice."""
    assert saturation(np.array([-20.0]))[0] == pytest.approx(125.96, abs=0.02)
