"""Forecasts day by day. The goal is met on day 30, the job lasts for 70 days."""

from __future__ import annotations

import pytest
from evaluation_support import case, day, forecast, location, never, with_goal

from simulators.evaluation.forecasts import ForecastScore, score_forecasts
from simulators.evaluation.records import Case, ForecastRecord, Verdicts
from simulators.truth.records import DriveLost, Rewetting


def reachable() -> Case:
    made = case([location("wall", "cavity", reference="hall"), location("hall", "room_air")])
    with_goal(made.truth.locations["wall"], [(day(30), day(70))], day(30))
    return made


def score(made: Case, *rows: ForecastRecord) -> ForecastScore:
    return score_forecasts(made, Verdicts(forecasts=list(rows)))


def said(made_day: float, low: float = 25, middle: float = 28, high: float = 35) -> ForecastRecord:
    return forecast(day(made_day), "wall", day(low), day(middle), day(high))


def test_every_day_until_the_goal_is_met_asks_for_a_date():
    result = score(reachable(), said(0.9), said(4.5))
    # days 1 to 29; the forecasts count on days 1 and 5
    assert (result.reachable, result.dated) == (29, 2)


def test_a_forecast_counts_for_a_day():
    # made on day 4.0: on day 4 it is new, on day 5 exactly a day old
    assert score(reachable(), said(4.0)).dated == 1


def test_the_newest_forecast_of_a_day_counts():
    result = score(reachable(), said(4.2, 31, 33, 35), said(4.8))
    assert (result.intervals, result.covered) == (1, 1)


@pytest.mark.parametrize(("low", "high", "covered"), [(25, 35, 1), (31, 35, 0), (20, 29, 0), (30, 30, 1)])
def test_an_interval_covers_the_true_time_or_not(low: float, high: float, covered: int):
    assert score(reachable(), said(9.5, low, 28, high)).covered == covered


def test_an_interval_that_may_never_end_has_no_upper_end():
    row = ForecastRecord(day(9.5), "wall", day(25), day(28), None, high_never=True)
    assert score(reachable(), row).covered == 1


def test_error_is_relative_to_the_time_left_and_sorted_by_thirds():
    # made on day 6: 28 said, 30 true, 24 left; on day 15: 20 said, 15 left; on day 24: 33 said, 6 left
    result = score(reachable(), said(6, middle=28), said(15, middle=20), said(24, middle=33))
    assert result.errors == {1: [pytest.approx(2 / 24)], 2: [pytest.approx(10 / 15)], 3: [pytest.approx(0.5)]}
    # median of the second and the last third
    assert result.median_error(2, 3) == pytest.approx((10 / 15 + 0.5) / 2)


def test_no_relative_error_on_the_last_day():
    assert score(reachable(), said(28.99)).errors[3] != []
    made = reachable()
    made.truth.locations["wall"].eta_s = day(29.5)
    # made on day 28.9: 0.6 days are left
    assert score(made, said(28.9)).errors[3] == []


def test_days_after_the_goal_was_first_met_ask_for_nothing():
    result = score(reachable(), said(40.5, 45, 50, 55))
    assert (result.intervals, result.dated) == (0, 0)


def test_a_goal_met_only_after_the_job_counts_to_the_end_of_the_job():
    made = case([location("wall", "cavity")])
    with_goal(made.truth.locations["wall"], [], day(100), "later")
    assert score(made).reachable == 70


def test_a_goal_beyond_the_horizon_judges_nobody():
    made = case([location("wall", "cavity")])
    with_goal(made.truth.locations["wall"], [], None, "beyond_horizon")
    result = score(made, said(9.5), never(day(10.5), "wall"))
    assert (result.reachable, result.intervals, result.said_never) == (0, 0, 0)


def test_days_on_which_nothing_was_heard_ask_for_nothing():
    made = reachable()
    made.truth.locations["wall"].watched = [(day(0), day(10)), (day(20), day(70))]
    # nothing was heard within the day before on days 11 to 20: 10 of 29 days are left out
    assert score(made).reachable == 19


def test_a_sleeve_asks_for_dates_from_its_sealing_on():
    made = case([location("floor", "slab_sleeve", sealed_at="2023-11-24T00:00:00Z")])
    with_goal(made.truth.locations["floor"], [(day(30), day(70))], day(30))
    # sealed on day 10: days 11 to 29
    assert score(made).reachable == 19


def test_never_is_right_in_air_that_does_not_allow_the_goal():
    made = reachable()
    made.truth.locations["wall"].never_in_this_air = [(day(5), day(15))]
    result = score(made, never(day(7.5), "wall"), never(day(8.5), "wall"), never(day(19.5), "wall"))
    # days 5 to 15 are eleven days of never, two of them said (days 8 and 9); day 20 is not one
    assert (result.never_days, result.never_said) == (11, 2)
    assert (result.said_never, result.said_never_right) == (3, 2)
    assert result.reachable == 29 - 11


def test_never_within_a_day_of_the_end_of_such_air_judges_nobody():
    made = reachable()
    made.truth.locations["wall"].never_in_this_air = [(day(5), day(15.5))]
    # counts on day 16, half a day after the end
    assert score(made, never(day(15.6), "wall")).said_never == 0


def test_never_for_a_goal_that_is_never_met_is_right():
    made = case([location("wall", "cavity")])
    with_goal(made.truth.locations["wall"], [], None, "never")
    result = score(made, never(day(7.5), "wall"))
    assert (result.said_never, result.said_never_right, result.reachable) == (1, 1, 0)


def test_what_nobody_could_foresee_is_told_apart():
    made = reachable()
    made.truth.locations["wall"].rewetting = [Rewetting(day(12), day(12.5), day(13), day(16), 8.0, "leak")]
    result = score(made, said(9.5), said(19.5))
    # the leak of day 12 came after the first forecast and before the goal was met
    assert (result.intervals, result.intervals_calm) == (2, 1)
    assert len(result.errors_calm[1] + result.errors_calm[2] + result.errors_calm[3]) == 1


def test_a_lost_drive_in_the_room_beside_could_not_be_foreseen_either():
    made = reachable()
    made.truth.drive_lost = [DriveLost("hall", day(12), day(14), "machine_off", 300.0, 12.0, None, matters=True)]
    # of the ends of the loss, day 14 still comes after the forecast of day 13
    result = score(made, said(12.9), said(14.9))
    assert (result.intervals, result.intervals_calm) == (2, 1)
