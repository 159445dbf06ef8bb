"""Each question to hand-made futures: exponentials, whose crossings and shares are closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from futures import TIME_D, air, falling, level

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.queries.date import arrival, goal_date
from monitord.analysis.slabs.posterior.queries.goal import goal_probability
from monitord.analysis.slabs.posterior.queries.level import level as level_of
from monitord.analysis.slabs.posterior.queries.never import never_probability
from monitord.analysis.slabs.posterior.queries.stall import SlabStall, StallCause, stall

UNREAD = np.array([np.nan])
"""Bias of a probe that read nothing."""
SHARE, SURE = 0.1, 0.8
"""What a stall is, and how sure it must be, by default."""


def test_level_and_rate_are_means_over_the_week_to_come() -> None:
    now = np.r_[level(88.0, 50), level(92.0, 50)]
    found = level_of(falling(now, level(60.0), 30.0))
    assert found.now_pct == pytest.approx(90.0)
    assert found.u_now_pct == pytest.approx(2.0)
    gone = (1.0 - np.exp(-7.0 / 30.0)) / 7.0
    assert found.rate_pct_day == pytest.approx(-30.0 * gone)
    assert found.u_rate_pct_day == pytest.approx(2.0 * gone)
    assert found.end_pct == pytest.approx(60.0)


def test_dates_are_quantiles_of_the_futures_that_arrive_half_a_window_later() -> None:
    """60 + 30 exp(-t/30) meets 80 after 30 ln(1.5) = 12.16 days; a third of the futures never does."""
    end = np.r_[level(60.0, 60), level(85.0, 30)]
    futures = falling(level(90.0, 90), end, 30.0)
    date = goal_date(futures, 80.0, 1.0)
    assert date is not None
    # the march's steps are two days long there, linear in between
    assert date.middle_d == pytest.approx(30.0 * np.log(1.5) + 0.5, abs=0.03)
    assert date.low_d == pytest.approx(date.high_d)
    assert never_probability(futures, 80.0) == pytest.approx(1.0 / 3.0)
    wider = goal_date(futures, 80.0, 7.0)
    assert wider is not None
    assert wider.middle_d - date.middle_d == pytest.approx(3.0)


def test_the_interval_is_the_central_eighty_percent() -> None:
    """Straight falls by 1 % RH a day from 80 + k/10: arrival after k/10 days, k from -50 to 101.

    What is there already (k up to 0) is no date: 101 futures are left, from 0.1 to 10.1 days.
    """
    course = 80.0 + 0.1 * np.arange(-50, 102)[:, None] - TIME_D
    futures = Outlook(TIME_D, course, course[:, 0], UNREAD, np.zeros(152, dtype=bool))
    assert arrival(futures, 80.0) == pytest.approx(np.maximum(0.1 * np.arange(-50, 102), 0.0))
    date = goal_date(futures, 80.0, 0.0)
    assert date is not None
    assert (date.low_d, date.middle_d, date.high_d) == pytest.approx((1.1, 5.1, 9.1))


def test_where_all_are_there_the_date_is_now() -> None:
    date = goal_date(falling(level(79.0), level(60.0), 30.0), 80.0, 1.0)
    assert date is not None
    assert (date.low_d, date.middle_d, date.high_d) == (0.5, 0.5, 0.5)


def test_where_no_future_arrives_there_is_no_date() -> None:
    futures = falling(level(90.0), level(85.0), 30.0)
    assert goal_date(futures, 80.0, 1.0) is None
    assert never_probability(futures, 80.0) == 1.0
    assert never_probability(falling(level(90.0), level(79.9), 30.0), 80.0) == 0.0


def test_a_goal_further_away_than_a_year_is_out_of_reach() -> None:
    """Straight falls that meet 80 after 200, 364 and 366 days."""
    after = np.array([200.0, 364.0, 366.0])
    course = 80.0 + 0.02 * (after[:, None] - TIME_D)
    futures = Outlook(TIME_D, course, course[:, 0], UNREAD, np.zeros(3, dtype=bool))
    assert arrival(futures, 80.0) == pytest.approx([200.0, 364.0, np.inf])
    assert never_probability(futures, 80.0) == pytest.approx(1.0 / 3.0)
    date = goal_date(futures, 80.0, 0.0)
    assert date is not None
    assert date.middle_d == pytest.approx(282.0)


def test_the_goal_is_asked_of_the_mean_over_its_window() -> None:
    futures = Outlook(TIME_D, np.full((10, len(TIME_D)), 90.0), np.arange(75.0, 85.0), UNREAD, np.zeros(10, dtype=bool))
    assert goal_probability(futures, 80.0) == pytest.approx(0.6)
    assert goal_probability(futures, 79.9) == pytest.approx(0.5)


def judged(futures: Outlook, wetter: float = 0.0, active: bool = False) -> SlabStall:
    return stall(futures, 80.0, air(wetter, 5.0), SHARE, SURE, active)


def flat_share(share: float, end: float, fed: bool = False) -> Outlook:
    """Futures of which that share hardly falls and ends at `end`; the others fall fast to 60."""
    n = round(100 * share)
    course = np.vstack(
        [
            90.0 + (end - 90.0) * (1.0 - np.exp(-np.tile(TIME_D, (n, 1)) / 400.0)),
            60.0 + 30.0 * np.exp(-np.tile(TIME_D, (100 - n, 1)) / 10.0),
        ]
    )
    return Outlook(TIME_D, course, course[:, 0], UNREAD, np.arange(100) < (n if fed else 0))


@pytest.mark.parametrize(
    ("share", "before", "active"), [(0.79, False, False), (0.81, False, True), (0.51, True, True), (0.49, True, False)]
)
def test_a_stall_opens_at_eighty_percent_and_closes_under_fifty(share: float, before: bool, active: bool) -> None:
    found = judged(flat_share(share, 88.0), active=before)
    assert found.probability == pytest.approx(share)
    assert found.cause is (StallCause.END_OVER_LIMIT if share > 0.5 else None)
    assert found.active is active


@pytest.mark.parametrize(("share", "active"), [(0.51, True), (0.49, False)])
def test_a_stall_whose_cause_goes_on_closes_where_progress_is_as_likely_as_none(share: float, active: bool) -> None:
    found = judged(flat_share(share, 60.0), wetter=10.0, active=True)
    assert (found.cause, found.active) == (StallCause.AIR_WETTER, active)


def test_progress_is_a_tenth_of_what_remains_in_a_week() -> None:
    """10 % RH remain: a fall of 1 in seven days is progress, one of 0.9 is none."""
    for week, probability in ((0.95, 1.0), (1.05, 0.0)):
        course = np.tile(90.0 - week * np.minimum(TIME_D, 7.0) / 7.0, (50, 1))
        found = judged(Outlook(TIME_D, course, course[:, 0], UNREAD, np.zeros(50, dtype=bool)))
        assert found.probability == probability


@pytest.mark.parametrize(
    ("end", "cause"), [(78.9, None), (79.1, StallCause.END_OVER_LIMIT), (85.0, StallCause.END_OVER_LIMIT)]
)
def test_an_end_within_one_percent_under_the_goal_is_a_cause(end: float, cause: StallCause | None) -> None:
    found = judged(flat_share(1.0, end))
    assert (found.cause, found.active) == (cause, cause is not None)
    assert found.end_pct == pytest.approx(end, abs=0.1)


def test_slow_drying_without_a_cause_is_no_stall_whatever_its_probability() -> None:
    found = judged(flat_share(1.0, 60.0))
    assert found.probability == 1.0
    assert not found.active


@pytest.mark.parametrize(("wetter", "cause"), [(5.9, None), (6.1, StallCause.AIR_WETTER)])
def test_air_wetter_by_six_percent_is_a_cause_with_its_date(wetter: float, cause: StallCause | None) -> None:
    found = judged(flat_share(1.0, 60.0), wetter)
    assert found.cause is cause
    assert found.since_s == (5.0 if cause else None)


def test_fed_slabs_among_those_without_progress_name_the_cause_before_the_air() -> None:
    assert judged(flat_share(0.9, 88.0, fed=True), 10.0).cause is StallCause.FED_FROM_BELOW
    assert judged(flat_share(0.9, 88.0, fed=False), 10.0).cause is StallCause.AIR_WETTER
    half = flat_share(1.0, 88.0)
    for fed, cause in ((0.51, StallCause.FED_FROM_BELOW), (0.49, StallCause.END_OVER_LIMIT)):
        some = Outlook(half.time_d, half.humidity_pct, half.window_pct, UNREAD, np.arange(100) < 100 * fed)
        assert judged(some).cause is cause


@pytest.mark.parametrize(("over", "asked"), [(4, False), (6, True)])
def test_progress_is_asked_only_where_five_percent_of_the_futures_are_over_the_goal(over: int, asked: bool) -> None:
    now = np.where(np.arange(100) < over, 81.0, 79.0)
    found = judged(Outlook(TIME_D, np.tile(now[:, None], len(TIME_D)), now, UNREAD, np.zeros(100, dtype=bool)))
    assert (found.probability > 0.0) is asked
