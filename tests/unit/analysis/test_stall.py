"""Stalled, slow or neither: no progress with a cause is a stall, no progress by physics alone is slow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis_series import CAVITY, ROOM, daily, hours, location, noise, track

from monitord.analysis.drying.metric import build_metric
from monitord.analysis.drying.progress import progress
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.series.hourly_series import ReferenceSeries
from monitord.analysis.stall import Stall, assess_stall
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import Cause
from monitord.model.jobs import Goal
from monitord.model.series import Array

OPTIONS = AnalysisOptions()
DAYS = 14.0
H = hours(DAYS)
GOAL = Goal.model_validate({"metric": "rh_pct", "limit": 70.0, "window_h": 24})


def view(held_back: float, no_progress: float) -> TimeToGoal:
    """An outlook in which so much of the draws is held back by the air, and so much hardly moves."""
    share = np.arange(100) / 100.0
    return TimeToGoal(np.full(100, 20.0), np.full(100, 0.01), share < held_back, share < no_progress, end=78.0)


def judged(
    value: Array, time_to_goal: TimeToGoal | None, *, room_more_humid: bool = False, air_rh: float = 78.0
) -> Stall:
    days = len(value) / 24.0
    air = track(location(ROOM), 18.0, air_rh, days)
    series = track(location(CAVITY), 18.0, value, days)
    metric = build_metric(series, ReferenceSeries(air, air, None), GOAL, OPTIONS)
    assert metric is not None
    return assess_stall(series, metric, progress(series, metric), time_to_goal, room_more_humid, OPTIONS)


FLAT = 79.0 + noise(len(H), 0.1)
"""10 %RH above the goal: the stated share of a tenth a week is 0.13 %RH a day."""


def test_no_progress_in_air_that_holds_it_back_is_a_stall_with_that_reason() -> None:
    found = judged(FLAT, view(0.95, 0.95))
    assert found.active
    assert found.cause is Cause.AIR_HOLDS
    assert found.end is not None
    assert (found.end.value, found.end.unit) == (pytest.approx(78.0), "% RH")


def test_no_progress_by_physics_alone_is_slow() -> None:
    found = judged(FLAT, view(0.0, 1.0), air_rh=45.0)
    assert (found.active, found.slow) == (False, True)


@pytest.mark.parametrize(("sure", "active"), [(0.75, False), (0.85, True)])
def test_a_stall_needs_the_stated_certainty(sure: float, active: bool) -> None:
    assert OPTIONS.stall_probability == 0.8
    assert judged(FLAT, view(sure, 1.0)).active is active


@pytest.mark.parametrize(("by_day", "slow"), [(0.05, True), (0.25, False)])
def test_slow_is_less_than_a_tenth_of_what_remains_in_a_week(by_day: float, slow: bool) -> None:
    """9 %RH to go: a tenth in seven days is 0.13 %RH a day."""
    assert judged(79.0 + by_day * (H[-1] - H) / 24.0, view(0.0, 0.0)).slow is slow


def test_clear_progress_is_no_stall_whatever_the_air_allows_in_the_end() -> None:
    assert not judged(79.0 + 1.5 * (H[-1] - H) / 24.0, view(1.0, 1.0)).active


def test_a_daily_cycle_hides_neither_a_stall_nor_progress() -> None:
    swing = 5.0 * daily(H)
    assert judged(FLAT + swing, view(0.95, 0.95)).active
    assert not judged(79.0 + 1.5 * (H[-1] - H) / 24.0 + swing, view(1.0, 1.0)).active


def test_a_lost_drive_is_a_cause_of_its_own() -> None:
    assert not judged(FLAT, view(0.0, 0.95)).active
    found = judged(FLAT, view(0.0, 0.95), room_more_humid=True)
    assert found.active
    assert found.cause is Cause.ROOM_MORE_HUMID
    assert not judged(FLAT, view(0.0, 0.3), room_more_humid=True).active  # it would go on drying all the same


def test_what_a_place_gives_off_itself_is_not_the_airs_fault() -> None:
    time_to_goal = view(0.95, 0.95)
    own = replace(time_to_goal, by_air=np.arange(100) < 10)
    assert judged(FLAT, time_to_goal).active
    assert not judged(FLAT, own, air_rh=45.0).active


def test_four_days_that_only_may_show_no_progress_are_not_enough() -> None:
    """From day to day it goes up and down by more than what the four days rise in all."""
    up_and_down = FLAT - 1.5 * (-1.0) ** np.floor(H / 24.0)
    assert not judged(up_and_down, view(1.0, 1.0)).active


@pytest.mark.parametrize("value", [np.full(len(H), 69.0), FLAT[: 4 * 24]])
def test_under_the_goal_and_before_the_fifth_day_nothing_is_stalled(value: Array) -> None:
    found = judged(value, view(1.0, 1.0), room_more_humid=True)
    assert (found.active, found.slow) == (False, False)


def test_without_an_outlook_nothing_is_stalled() -> None:
    assert not judged(FLAT, None, room_more_humid=True).active


# -- just below and just above (our choice: `analysis/parameters.py`) -------------------------------------------------


@pytest.mark.parametrize(("flat_days", "active"), [(2.0, False), (5.0, True)])
def test_four_days_without_progress_are_asked_for(flat_days: float, active: bool) -> None:
    falling = FLAT + 1.5 * np.maximum(DAYS - flat_days - H / 24.0, 0.0)
    assert judged(falling, view(0.95, 0.95)).active is active


@pytest.mark.parametrize(("days", "active"), [(4.9, False), (6.0, True)])
def test_nothing_is_stalled_in_the_first_five_days(days: float, active: bool) -> None:
    assert judged(FLAT[-round(24 * days) :], view(0.95, 0.95)).active is active


@pytest.mark.parametrize(("by_pct", "active"), [(0.12, True), (0.3, False)])
def test_the_course_lies_clear_of_progress_by_one_standard_error_and_a_half(by_pct: float, active: bool) -> None:
    """To and fro from day to day; a tenth of what remains, a week, is 0.13 %RH a day."""
    up_and_down = 79.0 - by_pct * (-1.0) ** np.floor(H / 24.0)
    assert judged(up_and_down, view(0.95, 0.95)).active is active


@pytest.mark.parametrize(("share", "active"), [(0.25, False), (0.35, True)])
def test_the_air_alone_must_hold_it_with_three_chances_in_ten(share: float, active: bool) -> None:
    outlook = replace(view(0.95, 0.0), by_air=np.arange(100) < 100 * share)
    assert judged(FLAT, outlook).active is active
