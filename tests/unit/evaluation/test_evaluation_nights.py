"""Nights foretold in the evening. The job starts at midnight UTC and lasts for 70 days; the site is in UTC."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from evaluation_support import END_S, LENGTH_H, START_S, at, case, day, location

from simulators.evaluation.matching import HOUR_S
from simulators.evaluation.nights import NightScore, evenings, score_nights
from simulators.evaluation.records import Case, NightRecord, Verdicts


def wall(margin_k: float = -1.0) -> Case:
    """A wall that condenses on the night after day 10, from 23:00 to 02:00, and is 4 K above otherwise."""
    made = case([location("wall", "cavity")])
    made.margins_k = {"wall": [4.0] * int(LENGTH_H)}
    made.margins_k["wall"][263:266] = [margin_k] * 3
    return made


def score(made: Case, *rows: NightRecord) -> NightScore:
    return score_nights(made, Verdicts(nights=list(rows)))


def row(made_s: float, margins: list[float]) -> NightRecord:
    return NightRecord(made_s, "wall", margins)


def test_each_evening_from_the_second_day_on_is_looked_at():
    # evenings of days 1 to 68; the night of day 69 ends after the job
    assert len(list(evenings("UTC", START_S, END_S))) == 68


def test_evenings_are_at_18_of_the_site_on_both_sides_of_a_change_of_clocks():
    start = datetime(2025, 3, 28, tzinfo=UTC).timestamp()
    hours = [datetime.fromtimestamp(t, UTC).hour for t in evenings("Europe/Berlin", start, start + 5 * 86_400)]
    # Central European summer time begins on 30 March 2025
    assert hours == [17, 16, 16]


def test_a_night_that_was_foretold():
    # said at 17:00: 1 K in the first eight hours, below zero in the ninth (01:00)
    result = score(wall(), row(at(257), [1.0] * 8 + [-0.4] + [1.0] * 15))
    assert (result.wet, result.foretold, result.cried) == (1, 1, 0)
    # from 18:00 to 23:00
    assert result.leads_s == [5 * HOUR_S]
    # said -0.4, true -1
    assert result.errors_k == [pytest.approx(0.6)]


def test_what_is_expected_for_the_hours_before_18_does_not_count():
    result = score(wall(), row(at(256), [-1.0, -1.0] + [2.0] * 22))
    assert (result.wet, result.foretold) == (1, 0)


def test_a_dry_night_that_was_cried_over():
    result = score(wall(), row(day(20) + 17 * HOUR_S, [-1.0] * 24))
    # 68 nights, one of them wet
    assert (result.dry, result.cried) == (67, 1)


def test_a_night_near_the_dew_point_judges_nobody():
    result = score(wall(margin_k=-0.4), row(at(257), [-1.0] * 24))
    assert (result.wet, result.dry, result.cried) == (0, 67, 0)


def test_nights_of_which_nothing_was_said_count_as_dry_and_are_told():
    result = score(wall(), row(at(257), [math.nan] * 24))
    assert (result.foretold, result.unsaid) == (0, 68)


def test_a_forecast_older_than_six_and_a_half_hours_is_none():
    result = score(wall(), row(at(251), [-1.0] * 24))
    # made at 11:00
    assert result.foretold == 0


def test_evenings_on_which_nobody_hears_the_place_are_left_out():
    made = wall()
    made.truth.locations["wall"].watched = [(day(0), day(10))]
    # evenings of days 1 to 9
    assert (score(made).wet, score(made).dry) == (0, 9)
