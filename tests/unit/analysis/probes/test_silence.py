"""When a probe counts as silent: its age counts from what it said live, in its own intervals."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from monitord.analysis.probes.silence import silent_probe
from monitord.model.assessments import Finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Location, LocationKind, Placement
from monitord.model.series import Hourly, PlacementRecord, Series

START = datetime(2026, 3, 2, tzinfo=UTC)
LOCATION = Location(id="wall", name="north wall", kind=LocationKind.CAVITY)


def silence(
    hours: float, heard_h: float | None, interval_s: float = 600.0, to_h: float | None = None
) -> Finding | None:
    end = None if to_h is None else START + timedelta(hours=to_h)
    placement = Placement(probe="k7-1", location_id="wall", from_time=START, to_time=end, interval_s=interval_s)
    heard = None if heard_h is None else (START + timedelta(hours=heard_h)).timestamp()
    record = PlacementRecord(placement, Series(), Hourly(), heard)
    as_of = (START + timedelta(hours=hours)).timestamp()
    return silent_probe(record, LOCATION, as_of, AnalysisOptions())


@pytest.mark.parametrize(
    ("heard_h", "interval_s", "intervals"),
    [(9.0, 600.0, 6.0), (9.0, 3600.0, 1.0), (9.0, 60.0, 6.0), (10.0, 600.0, 0.0), (10.5, 600.0, 0.0)],
)
def test_the_age_counts_in_reporting_intervals_of_ten_minutes_at_least(
    heard_h: float, interval_s: float, intervals: float
) -> None:
    found = silence(10.0, heard_h, interval_s)
    assert found is not None
    assert found.value == pytest.approx(intervals)
    assert found.interval_s == interval_s


def test_a_probe_that_was_never_heard_counts_from_its_placing() -> None:
    found = silence(30.0, None)
    assert found is not None
    assert (found.value, found.since) == (180.0, START)
    assert found.facts.at is None, "there is no last reading"


def test_a_probe_that_may_not_be_switched_on_yet_is_unknown_and_not_silent() -> None:
    # a job is often entered a day before its probes are switched on; unknown raises nothing
    for heard_h in (None, -5.0):
        before, after = silence(23.9, heard_h), silence(24.0, heard_h)
        assert before is not None
        assert after is not None
        assert (before.value, after.value) == (None, 144.0)
        assert before.facts.at is None
    heard_once = silence(23.9, 0.0)
    assert heard_once is not None
    assert heard_once.value is not None


def test_what_a_probe_said_elsewhere_before_does_not_count() -> None:
    found = silence(30.0, -5.0)
    assert found is not None
    assert (found.value, found.since) == (180.0, START)


def test_the_facts_are_the_last_reading_its_age_and_how_often_one_is_due() -> None:
    found = silence(10.0, 8.0)
    assert found is not None
    assert (found.probe, found.location) == ("k7-1", "wall")
    assert found.facts.at == found.since
    assert (found.facts.age_s, found.facts.interval_s) == (7200.0, found.interval_s)


@pytest.mark.parametrize("hours", [-1.0, 5.0, 6.0])
def test_a_stay_that_has_not_begun_or_has_ended_is_not_judged(hours: float) -> None:
    assert silence(hours, 1.0, to_h=5.0) is None
