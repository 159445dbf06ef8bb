"""Alerts against events: what is found, what is false, how long; each expected value is worked out beside it."""

from __future__ import annotations

import pytest

from simulators.evaluation.matching import (
    DAY_S,
    HOUR_S,
    Call,
    EventScore,
    Terms,
    Topic,
    TrueEvent,
    outside,
    score_events,
)

# may open 6 h before the onset and 1 day after the end, and stay open for 2 days after the end
TERMS = Terms(early_s=6 * HOUR_S, grace_s=DAY_S, linger_s=2 * DAY_S)
WEEKS_10 = 70 * DAY_S
EVENT = TrueEvent("wall", 10 * DAY_S, 14 * DAY_S, "leak", felt_s=10.5 * DAY_S)


def scored(*calls: Call, events: tuple[TrueEvent, ...] = (EVENT,)) -> EventScore:
    return score_events(Topic("rewetting", events, calls, WEEKS_10, TERMS), "hand 1", 0.0)


def call(from_days: float, to_days: float, key: str = "wall") -> Call:
    return Call(key, from_days * DAY_S, to_days * DAY_S)


def test_an_alert_within_the_event_finds_it():
    score = scored(call(11, 13))
    assert (score.due["leak"], score.found["leak"], score.false) == (1, 1, 0)


def test_delay_counts_from_the_onset_and_from_when_it_was_felt():
    # opened on day 11: one day after the onset on day 10, half a day after it was felt on day 10.5
    score = scored(call(11, 13))
    assert score.delays_s == [24 * HOUR_S]
    assert score.felt_delays_s == [12 * HOUR_S]


def test_delay_counts_from_the_first_of_it_that_was_watched():
    missing = TrueEvent("wall", 10 * DAY_S, 14 * DAY_S, "leak", felt_s=10.5 * DAY_S, seen_s=10.75 * DAY_S)
    score = scored(call(11, 13), events=(missing,))
    # 11 - 10.75 days
    assert score.delays_s == score.felt_delays_s == [6 * HOUR_S]


def test_of_several_alerts_the_first_counts():
    assert scored(call(12, 13), call(10.25, 10.5)).delays_s == [6 * HOUR_S]


def test_an_alert_just_before_the_onset_finds_it_without_delay():
    # 3 h before; 6 h are allowed
    score = scored(call(9.875, 13))
    assert (score.found["leak"], score.delays_s, score.false) == (1, [0.0], 0)


def test_an_alert_long_before_the_onset_is_false_though_it_finds_the_event_by_staying_open():
    # opened on day 8, 2 days early; still open a day after the onset
    score = scored(call(8, 13))
    assert (score.found["leak"], score.false) == (1, 1)
    # falsely open from day 8 to 6 h before day 10
    assert score.false_open_s == 42 * HOUR_S


def test_an_alert_that_happens_to_end_after_the_onset_found_nothing():
    # it closes 12 h after the onset; a day is asked for
    score = scored(call(8, 10.5))
    assert (score.found["leak"], score.false) == (0, 1)


def test_an_alert_that_closed_before_the_onset_found_nothing():
    assert scored(call(9.8, 9.9)).found["leak"] == 0


def test_an_alert_within_grace_after_the_end_finds_it():
    score = scored(call(14.5, 15))
    assert (score.found["leak"], score.false) == (1, 0)
    assert score.delays_s == [4.5 * DAY_S]


def test_an_alert_after_grace_is_false_and_the_event_is_missed():
    score = scored(call(15.5, 18))
    assert (score.found["leak"], score.false) == (0, 1)
    assert {item.what for item in score.items} == {"missed", "false"}


def test_an_alert_may_linger_and_is_then_falsely_open():
    # the event ends on day 14, two days may pass, the alert closes on day 20: 4 days of 70
    score = scored(call(11, 20))
    assert score.false == 0
    assert score.false_open_s == 4 * DAY_S
    assert score.false_share == pytest.approx(4 / 70)


def test_an_alert_elsewhere_is_false():
    score = scored(call(11, 13, key="floor"))
    assert (score.found["leak"], score.false, score.false_open_s) == (0, 1, 2 * DAY_S)


def test_false_alarms_are_counted_per_100_weeks():
    # 3 in 10 weeks
    score = scored(call(30, 31), call(40, 41), call(50, 51))
    assert score.false_per_100_weeks == pytest.approx(30.0)


def test_an_event_that_judges_nobody_is_no_miss_and_excuses_alerts():
    unclear = TrueEvent("wall", 10 * DAY_S, 14 * DAY_S, judged=False)
    score = scored(call(11, 13), events=(unclear,))
    assert (sum(score.due.values()), score.false, score.false_open_s, score.items) == (0, 0, 0.0, [])


def test_items_tell_the_day_of_the_job():
    topic = Topic("rewetting", [EVENT], [], WEEKS_10, TERMS)
    (item,) = score_events(topic, "hand 1", start_s=4 * DAY_S).items
    assert (item.what, item.key, item.day) == ("missed", "wall", 6.0)


def test_scores_of_jobs_add_up():
    total = EventScore()
    total.add(scored(call(11, 13)))
    total.add(scored(call(30, 31)))
    assert (total.due["leak"], total.found["leak"], total.false) == (2, 1, 1)
    # one false alarm in 20 weeks
    assert total.false_per_100_weeks == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("covers", "left"),
    [
        ([], 10.0),
        ([(2.0, 4.0)], 8.0),
        ([(2.0, 4.0), (3.0, 6.0)], 6.0),
        ([(-5.0, 3.0), (8.0, 20.0)], 5.0),
        ([(-1.0, 11.0)], 0.0),
        ([(11.0, 12.0)], 10.0),
    ],
)
def test_time_outside_of_covers(covers: list[tuple[float, float]], left: float):
    assert outside((0.0, 10.0), covers) == left
