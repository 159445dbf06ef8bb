"""Stalled, slow or neither: no progress with a cause is a stall, no progress by physics alone is slow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from analysis_series import CAVITY, ROOM, START_S, hours, location, noise, track

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


def view(held: float, no_progress: float) -> TimeToGoal:
    """An outlook in which so much of the draws is held back by the air, and so much hardly moves in the air of now."""
    share = np.arange(100) / 100.0
    return TimeToGoal(np.full(100, 20.0), np.full(100, 0.01), share < no_progress, share < held, end=78.0)


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


def test_no_air_holds_a_place_above_saturation() -> None:
    found = judged(FLAT, replace(view(0.95, 0.95), end=132.0))
    assert found.end is not None
    assert found.end.value == 100.0


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


def test_a_lost_drive_is_a_cause_of_its_own() -> None:
    assert not judged(FLAT, view(0.0, 0.95)).active
    found = judged(FLAT, view(0.0, 0.95), room_more_humid=True)
    assert found.active
    assert found.cause is Cause.ROOM_MORE_HUMID
    assert not judged(FLAT, view(0.0, 0.3), room_more_humid=True).active  # it would go on drying all the same


@pytest.mark.parametrize("value", [np.full(len(H), 69.0), FLAT[: 4 * 24]])
def test_under_the_goal_and_before_the_fifth_day_nothing_is_stalled(value: Array) -> None:
    found = judged(value, view(1.0, 1.0), room_more_humid=True)
    assert (found.active, found.slow) == (False, False)


def test_without_an_outlook_nothing_is_stalled() -> None:
    assert not judged(FLAT, None, room_more_humid=True).active


# -- just below and just above (our choice: `analysis/parameters.py`) -------------------------------------------------


@pytest.mark.parametrize(("flat_days", "named"), [(0.0, None), (2.0, None), (6.0, 6.0), (14.0, 14.0)])
def test_the_time_without_progress_is_named_from_four_days_on(flat_days: float, named: float | None) -> None:
    """A stall is about the week to come: what still falls, in weather that will turn, has no such time."""
    falling = FLAT + 1.5 * np.maximum(DAYS - flat_days - H / 24.0, 0.0)
    found = judged(falling, view(0.95, 0.95))
    assert found.active
    days = None if found.since_s is None else (START_S + DAYS * 86_400.0 - found.since_s) / 86_400.0
    assert days == (None if named is None else pytest.approx(named, abs=1.01))


@pytest.mark.parametrize(("days", "active"), [(4.9, False), (6.0, True)])
def test_nothing_is_stalled_in_the_first_five_days(days: float, active: bool) -> None:
    assert judged(FLAT[-round(24 * days) :], view(0.95, 0.95)).active is active
