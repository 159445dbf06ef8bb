"""How often what is judged, and what a young or unsure rate leaves open: just below and just above (our choice)."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from analysis_series import CAVITY, ROOM, START, START_S, hours, house, location, noise, track, until

from monitord.analysis.assess import assess_job
from monitord.analysis.goals import assess_goal
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.model.assessments import JobAssessment, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind
from monitord.model.jobs import Goal
from monitord.model.series import HOUR_S, JobRecord
from monitord.replay.recorder import Recorder

NAN = float("nan")
GOAL = Goal.model_validate({"metric": "rh_pct", "limit": 65.0, "window_h": 24})
DAYS = 12.0
H = hours(DAYS)


def assessed(until_h: float) -> JobAssessment:
    """A wall that dries, with its room, heard every hour."""
    job = house(location(ROOM), location(CAVITY, reference="room_air", goal=GOAL, f_rsi=0.75))
    recorder = Recorder(job)
    for k in range(int(until_h)):
        stamp = START_S + HOUR_S * k
        recorder.add("p-room_air", (stamp, 20.0, 45.0, NAN, NAN, stamp + 2.0))
        recorder.add("p-cavity", (stamp, 15.0, 62.0 + 30.0 * np.exp(-k / 100.0), NAN, NAN, stamp + 2.0))
    record: JobRecord = recorder.record(START_S + until_h * HOUR_S)
    return assess_job(job, record, START + timedelta(hours=until_h), AnalysisOptions())


def test_wetting_is_judged_every_two_hours_and_goals_and_damage_every_six() -> None:
    found = assessed(83.5)
    judged_h = {finding.kind: (finding.measured_at - START).total_seconds() / HOUR_S for finding in found.findings}
    assert judged_h[FindingKind.REWETTING] == 82.0
    assert judged_h[FindingKind.GOAL_REACHED] == 78.0
    assert judged_h[FindingKind.MOULD] == 78.0


def state(series: HourlySeries, inside: HourlySeries, day: float) -> State:
    hour = round(24 * day)
    past, air = until(series, hour), until(inside, hour)
    references = ReferenceSeries(air, air, None)
    return assess_goal(past, references, GOAL, None, False, -np.inf, START_S + hour * HOUR_S, AnalysisOptions()).state


DRY_ROOM = track(location(ROOM), 16.0, 50.0, DAYS)


@pytest.mark.parametrize(("day", "found"), [(2.0, State.TOO_EARLY), (3.0, State.DRYING)])
def test_a_rate_of_three_days_is_asked_for(day: float, found: State) -> None:
    series = track(location(CAVITY), 16.0, 50.0 + 42.0 * np.exp(-H / 24.0 / 8.0) + noise(len(H), 0.15, 2), DAYS)
    assert state(series, DRY_ROOM, day) is found


@pytest.mark.parametrize(("per_day", "found"), [(-0.5, State.NO_CLEAR_TREND), (-0.95, State.DRYING)])
def test_a_rate_must_lie_clear_of_nothing_by_one_standard_error_and_a_quarter(per_day: float, found: State) -> None:
    """From day to day it goes up and down by 2 %: the standard error of the slope of five days is 0.64 % a day."""
    zigzag = np.where(np.floor(H / 24.0) % 2.0 == 0.0, 1.0, -1.0)
    series = track(location(CAVITY), 16.0, 85.0 + per_day * (H / 24.0 - 10.0) + zigzag, DAYS)
    assert state(series, DRY_ROOM, 10.0) is found
