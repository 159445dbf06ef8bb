"""The plain baseline on readings made by hand: it does what its words say, no more and no less."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitord.model.jobs import JobFile
from monitord.replay.parallel import Arrivals
from monitord.replay.run import parse_time
from simulators.evaluation.baseline.assessor import Ledger, the_baseline
from simulators.evaluation.matching import DAY_S, HOUR_S
from simulators.evaluation.records import Verdicts

START_S = parse_time("2025-01-01T00:00:00Z")
DAYS = 20


def job(**location: Any) -> JobFile:
    """A job of twenty days with one location and a probe there that sends every half hour."""
    return JobFile.model_validate(
        {
            "job": "hand",
            "start": "2025-01-01T00:00:00Z",
            "end": "2025-01-21T00:00:00Z",
            "locations": [{"id": "place", "kind": "cavity", **location}],
            "probes": [{"id": "p1", "location_id": "place", "from": "2025-01-01T00:00:00Z", "interval_s": 1800}],
        }
    )


def readings(humidity: Callable[[float], float | None], surface_c: float = float("nan")) -> Arrivals:
    """Readings at 20 °C whose humidity depends on the day; None: not sent."""
    arrivals = Arrivals()
    for k in range(DAYS * 48):
        at, rh = START_S + 1800.0 * k + 60.0, humidity((k + 0.03) / 48)
        if rh is not None:
            arrivals.append("p1", (at, 20.0, rh, surface_c, 3.0, at + 2.0))
    return arrivals


def days(said: Verdicts, kind: str) -> list[float]:
    """Days on which alerts of a kind opened."""
    return [(a.opened_s - START_S) / DAY_S for a in said.alerts if a.kind == kind]


def test_a_rise_of_the_daily_mean_is_rewetting():
    said = the_baseline(job(), readings(lambda day: 60.0 if day < 10 else 64.0))
    # the mean of a day is 3 % RH over that of the day before once 18 of its 24 hours are at 64: day 10.75
    assert days(said, "rewetting") == [pytest.approx(10.75, abs=0.13)]


def test_a_sleeve_counts_only_once_it_is_sealed_for_72_h():
    sealed = "2025-01-08T00:00:00Z"
    sleeve = job(kind="slab_sleeve", sealed_at=sealed)
    said = the_baseline(sleeve, readings(lambda day: 60.0 + 2.0 * day if day < 11 else 82.0))
    # it rises by 2 % RH a day until day 11, which is 72 h after its sealing on day 7 and a day more
    assert days(said, "rewetting")[0] == 10.0
    settled = [(e.made_s - START_S) / DAY_S for e in said.equilibrium if e.settled]
    assert settled[0] == 10.0
    # the value is the reading itself: at day 10 the mean of the last three hours of 60 + 2 x day
    assert next(e.predicted_pct for e in said.equilibrium if e.settled) == pytest.approx(79.9, abs=0.1)


def test_at_goal_is_said_when_the_last_day_is_at_the_limit():
    goal = {"metric": "rh_pct", "limit": 70.0, "window_h": 24.0}
    said = the_baseline(job(goal=goal), readings(lambda day: 90.0 - 2.0 * day))
    # 70 is reached on day 10, the mean of a day half a day later
    assert days(said, "goal_reached") == [pytest.approx(10.5, abs=0.26)]


def test_the_forecast_is_a_straight_line_and_a_quarter_to_each_side():
    goal = {"metric": "rh_pct", "limit": 60.0, "window_h": 24.0}
    said = the_baseline(job(goal=goal), readings(lambda day: 90.0 - 2.0 * day))
    row = next(f for f in said.forecasts if f.made_s >= START_S + 9 * DAY_S)
    left = START_S + 15 * DAY_S - row.made_s
    assert row.middle_s == pytest.approx(START_S + 15 * DAY_S, abs=HOUR_S)
    assert (row.low_s, row.high_s) == (
        pytest.approx(row.made_s + 0.75 * left, abs=HOUR_S), pytest.approx(row.made_s + 1.25 * left, abs=HOUR_S),
    )  # fmt: skip


def test_what_does_not_fall_is_given_never():
    goal = {"metric": "rh_pct", "limit": 60.0, "window_h": 24.0}
    said = the_baseline(job(goal=goal), readings(lambda day: 80.0 + 0.1 * day))
    assert said.forecasts
    assert all(f.never for f in said.forecasts)


def test_a_stall_is_less_than_a_tenth_in_a_week_for_four_days():
    goal = {"metric": "rh_pct", "limit": 60.0, "window_h": 24.0}
    said = the_baseline(job(goal=goal), readings(lambda day: 80.0))
    # a day's mean a week ago is known from day 7.5 on at the latest; four days more
    assert 11.0 <= days(said, "drying_stalled")[0] <= 12.0
    falling = the_baseline(job(goal=goal), readings(lambda day: 80.0 - 0.5 * day))
    # it falls by 3.5 in a week, of 20 at most that remain
    assert days(falling, "drying_stalled") == []


def test_condensation_is_a_surface_at_the_dew_point():
    # the dew point of air at 20 °C and 60 % RH is 12.0 °C (ASHRAE tables)
    assert days(the_baseline(job(), readings(lambda day: 60.0, surface_c=11.5)), "condensation") != []
    assert days(the_baseline(job(), readings(lambda day: 60.0, surface_c=12.5)), "condensation") == []


@pytest.mark.parametrize(
    ("humidity", "words"),
    [
        (lambda day: 60.0 + day, ""),
        (lambda day: 60.0, "stuck"),
        (lambda day: 99.5 + 0.01 * day, "saturated"),
        (lambda day: 60.0 + 25.0 * (int(day * 48) % 8 == 0) + day, "jumps"),
        (lambda day: 60.0 + day if int(day * 48) % 3 == 0 else None, "gaps"),
    ],
)
def test_faults_by_fixed_limits(humidity: Callable[[float], float | None], words: str):
    said = the_baseline(job(), readings(humidity))
    assert {a.words for a in said.alerts if a.kind == "probe_fault"} == ({words} if words else set())


def test_silence_is_six_intervals():
    said = the_baseline(job(), readings(lambda day: None if 10.0 <= day < 11.0 else 60.0 + day))
    # the last reading is from 23:31 of the day before, six intervals are 3 h, and it looks every 3 h
    assert days(said, "probe_silent") == [pytest.approx(10.125)]


def test_a_ledger_waits_before_it_opens_and_holds_before_it_closes():
    ledger = Ledger()
    for hour, on in enumerate([True, True, True, False, True, False, False, False]):
        ledger.note(hour * HOUR_S, "kind", on, "place", wait_s=2 * HOUR_S, hold_s=2 * HOUR_S)
    (alert,) = ledger.end()
    # true from hour 0: opens at hour 2; last true at hour 4: closes at hour 6
    assert (alert.opened_s, alert.closed_s) == (2 * HOUR_S, 6 * HOUR_S)


def test_nothing_is_known_before_it_has_arrived():
    on_time = readings(lambda day: 60.0 if day < 12 else 70.0)
    late = Arrivals()
    for row in on_time.rows:
        held = 11.5 * DAY_S <= row[0] - START_S < 13 * DAY_S
        late.append("p1", (*row[:5], START_S + 13 * DAY_S if held else row[5]))
    assert min(days(the_baseline(job(), on_time), "rewetting")) < 13.0
    assert min(days(the_baseline(job(), late), "rewetting")) >= 13.0
