"""A date that keeps moving away: told when it slips beyond its uncertainty, and not for drying that is merely slow."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from statistics import median

import pytest
from alerts_support import job
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.forecast.revisions import History, forecast_revisions, slip_of
from monitord.model.assessments import Forecast, JobAssessment, LocationAssessment, State

START = datetime(2025, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)
NORTH = {"id": "north", "name": "North wall", "kind": "cavity", "goal": {"metric": "rh_pct", "limit": 70}}
JOB = job(start=START, locations=[NORTH])

Dates = Callable[[float], tuple[float | None, float | None, float | None]]
"""Day of making to low, middle and high, in days from the start."""


def forecast(day: float, low: float | None, middle: float | None, high: float | None) -> Forecast:
    def at(d: float | None) -> datetime | None:
        return None if d is None else START + d * DAY

    return Forecast(
        made_at=START + day * DAY, low=at(low), middle=at(middle), high=at(high), never=middle is None,
        high_never=high is None,
    )  # fmt: skip


def made(dates: Dates, days: float = 14, every: float = 0.25) -> list[Forecast]:
    """One forecast each six hours."""
    return [forecast(n * every, *dates(n * every)) for n in range(int(days / every) + 1)]


def references(middle: float, uncertainty: float) -> tuple[float, float, float]:
    return middle - uncertainty, middle, middle + uncertainty


@pytest.mark.parametrize(
    ("dates", "value"),
    [
        (lambda d: references(30, 3), 0.0),  # as promised from the first day to the last
        (lambda d: references(30 + d, 2), 1.0),  # a day later each day: it makes no progress
        (lambda d: references(30 + 0.6 * d, 1), 0.6),
        (lambda d: references(30 + d, 15), 0.0),  # the same, but put uncertainly: the intervals share days
        (lambda d: references(30 - d, 2), 0.0),  # it comes nearer than was thought
        (lambda d: references(30 + 8 * (int(d) % 2), 1), 0.0),  # it wanders to and fro
        (lambda d: references(90, 60), 0.0),  # slow, and put late from the first day
        (lambda d: references(d + 2, 0.5), 0.0),  # near its goal the probe's accuracy decides
        (lambda d: (30 + d - 2, 30 + d, None if d < 5 else 32 + d), 0.0),  # the latest likely day was open then
    ],
)
def test_a_date_slips_only_beyond_its_uncertainty(dates: Dates, value: float) -> None:
    slip = slip_of(made(dates))
    assert slip is not None
    assert slip.days_a_day == pytest.approx(value)


def test_the_slope_is_that_of_theil_and_sen() -> None:
    """Sen 1968, J. Amer. Stat. Assoc. 63: the median of the slopes over all pairs; here written out anew."""
    wobble = (0.0, 0.4, -0.3, 0.9, 0.2, -0.1, 0.5)
    history = [forecast(d, *references(30 + 1.5 * d + wobble[d % 7], 1)) for d in range(15)]
    x = list(range(15))
    y = [30 + 1.5 * d + wobble[d % 7] for d in x]
    slopes = [(y[j] - y[i]) / (x[j] - x[i]) for i in x for j in x if i < j]
    slip = slip_of(history)
    assert slip is not None
    assert slip.days_a_day == pytest.approx(median(slopes))


@pytest.mark.parametrize(
    ("history", "why"),
    [
        ([], "nothing was forecast"),
        (made(lambda d: references(30 + d, 1), days=6), "less than a week"),
        ([forecast(d, *references(30 + d, 1)) for d in (0, 1, 7, 8, 9)], "five days only"),
        ([*made(lambda d: references(30 + d, 1)), forecast(14.25, None, None, None)], "the newest one says never"),
    ],
    ids=lambda x: x if isinstance(x, str) else "",
)
def test_with_too_little_to_tell_nothing_is_said(history: list[Forecast], why: str) -> None:
    assert slip_of(history) is None, why


def test_six_days_with_forecasts_are_enough_where_they_span_a_week() -> None:
    slip = slip_of([forecast(d, *references(30 + d, 1)) for d in (0, 1, 2, 7, 8, 9)])
    assert slip is not None
    assert (slip.days, slip.days_a_day) == (6, pytest.approx(1.0))


@pytest.mark.parametrize(("to_go_d", "slips"), [(4.9, False), (5.1, True)])
def test_five_days_before_its_goal_a_date_may_still_slip(to_go_d: float, slips: bool) -> None:
    slip = slip_of(made(lambda d: references(d + to_go_d, 0.5)))
    assert slip is not None
    assert (slip.days_a_day > 0.0) is slips


@pytest.mark.parametrize(("days_between", "slips"), [(2.0, False), (1.5, True)])
def test_a_date_that_moves_in_jumps_slips_where_most_days_bring_one(days_between: float, slips: bool) -> None:
    """A jump of three days every other day is half of the steps, one every day and a half two thirds."""
    slip = slip_of(made(lambda d: references(30 + 3 * (int(d) // days_between), 1)))
    assert slip is not None
    assert (slip.days_a_day > 0.0) is slips


def test_what_was_forecast_before_the_last_fortnight_no_longer_counts() -> None:
    jumped = made(lambda d: references(30 if d < 3 else 60, 1), days=20)
    slip = slip_of(jumped)
    assert slip is not None
    assert slip.days_a_day == 0.0
    assert slip.days == 15


# --- history and finding --------------------------------------------------------------------------------------


def assessed(day: float, one: Forecast | None, state: State = State.DRYING) -> JobAssessment:
    location = LocationAssessment(location="north", probe="p1", state=state, last_reading_at=None, forecast=one)
    as_of = START + day * DAY
    return JobAssessment(job="J1", as_of=as_of, last_reading_at=None, locations=(location,), findings=())


def played(dates: Dates, days: float = 14) -> History:
    history = History()
    for one in made(dates, days):
        history.add(assessed((one.made_at - START) / DAY, one))
    return history


def test_the_history_takes_one_forecast_of_a_place_in_six_hours_and_the_first_one_made() -> None:
    history, first = History(), forecast(0, *references(30, 1))
    assert history.add(assessed(0.0, first)) == [("north", first)]
    assert history.add(assessed(0.1, forecast(0, *references(31, 1)))) == []
    assert history.add(assessed(0.2, None)) == []
    assert history.newest("north") == first
    assert len(history.add(assessed(0.25, forecast(0.25, *references(30, 1))))) == 1


def test_the_finding_says_what_was_expected_then_and_now() -> None:
    dates: Dates = lambda d: references(30 + d, 2)  # noqa: E731
    last = forecast(14, *dates(14))
    (finding,) = forecast_revisions(JOB, assessed(14, last), played(dates))
    assert (finding.kind, finding.location, finding.unit) == ("forecast_slipping", "north", "d/d")
    assert finding.value == pytest.approx(1.0)
    assert finding.measured_at == last.made_at
    facts = finding.facts
    assert facts.earlier_made_at is not None
    assert facts.earlier_made_at.date().isoformat() == "2025-03-03"
    then = [one.date().isoformat() for one in (facts.earlier_low, facts.earlier_high) if one is not None]
    assert then == ["2025-03-31", "2025-04-04"]
    now = [one.date().isoformat() for one in (facts.low, facts.middle, facts.high) if one is not None]
    assert now == ["2025-04-12", "2025-04-14", "2025-04-16"]


def test_a_place_that_is_at_its_goal_slips_no_more() -> None:
    (finding,) = forecast_revisions(JOB, assessed(15, None, State.AT_GOAL), played(lambda d: references(30 + d, 2)))
    assert (finding.value, finding.measured_at) == (0.0, START + 15 * DAY)


def test_without_a_forecast_for_a_day_it_is_not_known() -> None:
    history = played(lambda d: references(30 + d, 2))
    assert forecast_revisions(JOB, assessed(14.9, None), history)[0].value is not None
    assert forecast_revisions(JOB, assessed(15.1, None), history)[0].value is None


def test_a_place_that_was_never_forecast_or_has_no_goal_any_more_is_not_spoken_of() -> None:
    assert forecast_revisions(JOB, assessed(1, None), History()) == []
    without = job(start=START, locations=[{"id": "north", "kind": "cavity"}])
    assert forecast_revisions(without, assessed(14, None), played(lambda d: references(30 + d, 2))) == []


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 60), st.floats(0.5, 20)), min_size=20, max_size=70), st.integers(0, 69))
def test_a_restart_changes_nothing(course: list[tuple[float, float]], at: int) -> None:
    """Kept from the store, as a restart finds it, or in memory all along: the same slips."""
    forecasts = [forecast(n * 0.25, *references(20 + m, u)) for n, (m, u) in enumerate(course)]
    through, restarted, stored = History(), History(), []
    for n, one in enumerate(forecasts):
        if n == at % len(forecasts):
            since = one.made_at - timedelta(days=15)
            restarted = History({"north": [f for f in stored if f.made_at >= since]})
        day = n * 0.25
        stored += [f for _, f in restarted.add(assessed(day, one))]
        through.add(assessed(day, one))
        assert restarted.slip("north") == through.slip("north")
