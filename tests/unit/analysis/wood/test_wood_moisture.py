"""Timber beside damp air: lag, silence, spot readings, cold, and when it is told of."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from damage_support import START_S, location, track
from english import ENGLISH

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.drying.metric import build_metric
from monitord.analysis.series.hourly_series import ReferenceSeries, TimberSpot
from monitord.analysis.wood.timber import estimate_timber, lagged_known, timber_spots
from monitord.analysis.wood.wood_moisture import wood_finding, wood_moisture, wood_moisture_series
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal, JobFile
from monitord.model.series import HOUR_S
from monitord.physics.wood import equilibrium_moisture_content, lagged
from monitord.text.damage import timber_sentence

OPTIONS = AnalysisOptions()
DAY = 24


def measured(series, *spots):
    return replace(series, spots=tuple(spots))


def moisture(t, rh, n, spots=(), options=OPTIONS):
    series = measured(track(location("subfloor_void", name="void"), t, rh, n), *spots)
    found = wood_moisture(series, series.end_s, options)
    assert found is not None
    return series, found


def test_the_lag_is_the_one_of_physics_and_holds_in_gaps():
    """`physics.wood.lagged` steps in plain numpy; an hour that is missing leaves the timber as it was."""
    rng = np.random.default_rng(2)
    values = 15 + 5 * rng.standard_normal(400)
    values[rng.random(400) < 0.3] = np.nan
    share = 1 - np.exp(-1 / 336)
    assert lagged_known(values, share, 12.0) == pytest.approx(lagged(values, 336.0, 12.0))
    assert lagged_known(np.full(5, np.nan), share, 12.0).tolist() == [12.0] * 5


def test_it_agrees_with_the_estimate_that_goals_rest_on():
    t, rh = np.full(40 * DAY, 12.0), 80 + 8 * np.sin(np.arange(40 * DAY) / 50)
    course = wood_moisture_series(track(location(), t, rh), OPTIONS)
    goals = estimate_timber(t, rh, OPTIONS.timber_lag_days)
    assert course is not None
    assert goals is not None
    assert course.value == pytest.approx(goals.low, abs=1e-9)
    assert course.high == pytest.approx(goals.high, abs=1e-9)


def test_less_than_a_day_says_nothing():
    series = track(location(), 10.0, 80.0, 20)
    assert wood_moisture(series, series.end_s, OPTIONS) is None


def test_what_it_would_be_if_it_was_soaked_is_said_beside_it():
    _, found = moisture(12.0, 60.0, 10 * DAY)
    dry = equilibrium_moisture_content(12.0, 60.0)
    assert found.value.value == pytest.approx(dry)
    assert found.high == pytest.approx(dry + (30 - dry) * np.exp(-10 / 14), abs=0.1)
    assert f"(up to {found.high:.1f} % MC if it was soaked at the start)" in timber_sentence(ENGLISH, found)
    assert found.value.u is not None
    assert found.value.u > OPTIONS.timber_species_u_pct


def test_a_spot_reading_sets_the_estimate_as_surely_as_it_is():
    """Where what is known before is wide, the posterior is the reading (JCGM 101:2008, 6.4.7: N(x, u²))."""
    spot = TimberSpot(START_S + 10 * DAY * HOUR_S, 24.0, 1.0)
    series = track(location(), 12.0, 60.0, 11 * DAY)
    plain, told = wood_moisture_series(series, OPTIONS), wood_moisture_series(measured(series, spot), OPTIONS)
    assert plain is not None
    assert told is not None
    at = 10 * DAY
    assert told.value[at - 1] == plain.value[at - 1]
    assert told.value[at] == pytest.approx(24.0, abs=0.4)
    assert (told.high[at] - told.value[at]) / np.sqrt(3) == pytest.approx(1.0, abs=0.1)
    assert told.value[at] > told.value[-1] > plain.value[-1]  # and from there it follows its air again
    assert (
        told.u[at] > plain.u[at]
    )  # the start that nobody measured was beside the value; now it is within the uncertainty
    _, found = moisture(12.0, 60.0, 11 * DAY, [spot])
    assert found.spot_at == datetime.fromtimestamp(spot.time_s, UTC)
    said = timber_sentence(ENGLISH, found)
    assert "soaked" not in said
    assert "Set by a spot reading of 24 ± 2 % MC on 16 Jan." in said


def test_a_sure_spot_reading_all_but_replaces_the_estimate():
    spot = TimberSpot(START_S + 100 * HOUR_S, 26.0, 0.01)
    series = track(location(), 12.0, 60.0, 200)
    course = wood_moisture_series(measured(series, spot), OPTIONS)
    assert course is not None
    assert course.value[100] == pytest.approx(26.0, abs=0.1)


def test_goals_and_cautions_rest_on_the_same_timber_once_it_was_measured():
    t, rh = np.full(20 * DAY, 12.0), 80 + 8 * np.sin(np.arange(20 * DAY) / 50)
    spot = TimberSpot(START_S + 6 * DAY * HOUR_S, 22.0, 1.5)
    series = measured(track(location(), t, rh), spot)
    course = wood_moisture_series(series, OPTIONS)
    wanted = Goal.model_validate({"metric": "timber_mc_pct", "limit": 16.0})
    goals = build_metric(series, ReferenceSeries(None, None, None), wanted, OPTIONS)
    assert course is not None
    assert goals is not None
    assert course.value[6 * DAY :] == pytest.approx(goals.value[6 * DAY :], abs=1e-9)


def test_timber_measured_when_the_probes_were_set_out_is_the_start():
    """Up to a week before the first hour; one from long before tells nothing of the start."""
    series = track(location(), 12.0, 60.0, 10 * DAY)
    plain = wood_moisture_series(series, OPTIONS)
    early = wood_moisture_series(measured(series, TimberSpot(START_S - 2 * HOUR_S, 19.0, 1.0)), OPTIONS)
    old = wood_moisture_series(measured(series, TimberSpot(START_S - 9 * DAY * HOUR_S, 19.0, 1.0)), OPTIONS)
    assert plain is not None
    assert early is not None
    assert old is not None
    assert early.value[0] == pytest.approx(19.0, abs=0.5)
    assert old.value == pytest.approx(plain.value)
    assert old.spots == ()


def test_a_spot_reading_counts_from_its_own_time_on_and_not_before_it_is_made():
    series = track(location(), 12.0, 60.0, 10 * DAY)
    plain = wood_moisture_series(series, OPTIONS)
    told = wood_moisture_series(measured(series, TimberSpot(series.end_s + 60.0, 27.0, 1.0)), OPTIONS)
    assert plain is not None
    assert told is not None
    assert told.value == pytest.approx(plain.value)


def test_readings_of_one_hour_count_as_one_because_the_meters_error_is_theirs_alike():
    series = track(location(), 12.0, 60.0, 10 * DAY)
    at = START_S + 5 * DAY * HOUR_S
    three = [TimberSpot(at + 60.0 * k, mc, 2.0) for k, mc in enumerate((18.0, 20.0, 22.0))]
    several, one = (
        wood_moisture_series(measured(series, *three), OPTIONS),
        wood_moisture_series(measured(series, TimberSpot(at + 120.0, 20.0, 2.0)), OPTIONS),
    )
    assert several is not None
    assert one is not None
    assert several.value == pytest.approx(one.value)
    assert several.high == pytest.approx(one.high)


@pytest.mark.parametrize(
    ("more", "u"),
    [
        ({"value": 18.0}, 3.0),  # nobody said that it was corrected
        ({"value": 18.0, "corrected_for": "spruce, 8 °C"}, 2.0),
        ({"value": 38.0, "corrected_for": "spruce, 8 °C"}, 5.0),  # over fibre saturation
        ({"value": 28.0, "correction": 3.0, "corrected_for": "oak"}, 5.0),
        ({"value": 38.0, "u": 1.0}, 1.0),  # weighed and dried, say
    ],
)
def test_a_spot_reading_is_as_sure_as_what_is_stated_of_it(more, u):
    spots = ({"location_id": "void", "at": "2025-01-08T10:00:00Z", "kind": "wood_moisture_pct", **more},)
    other = {"location_id": "void", "at": "2025-01-08T10:00:00Z", "kind": "surface_temperature_c", "value": 9.0}
    job = {"job": "j", "start": "2025-01-06T00:00:00Z", "locations": [{"id": "void", "kind": "subfloor_void"}]}
    (found,) = timber_spots(JobFile.model_validate({**job, "spots": (*spots, other)}), "void", OPTIONS)
    assert found.u_pct == u
    assert found.moisture_content_pct == more["value"] + more.get("correction", 0.0)


def test_days_in_the_words_are_the_jobs_own():
    spot = TimberSpot(START_S + 5 * DAY * HOUR_S + 23 * HOUR_S, 24.0, 1.0)  # 11 January, 23:00 UTC
    series = measured(track(location(), 12.0, 60.0, 10 * DAY), spot)
    found = wood_moisture(series, series.end_s, OPTIONS)
    assert found is not None
    assert "on 12 Jan." in timber_sentence(replace(ENGLISH, zone=ZoneInfo("Europe/Helsinki")), found)


def test_wet_timber_is_told_of_with_its_since():
    """88 %RH at 15 °C, then 97 %: over 20 %MC after some days."""
    humidity = np.r_[np.full(5 * DAY, 80.0), np.full(30 * DAY, 97.0)]
    series, found = moisture(15.0, humidity, len(humidity))
    finding = wood_finding(series, found, OPTIONS, 6 * HOUR_S)
    assert finding is not None
    assert finding.value is not None
    assert finding.value > 20.0
    assert finding.since == found.above_since
    assert found.above_since is not None
    assert "Over 20 % MC since " in timber_sentence(ENGLISH, found)
    assert "warm enough to decay" in timber_sentence(ENGLISH, found)
    rule = default_rule_book().rule_for("wood_decay", "j", "here")
    assert rule is not None
    assert (finding.measured_at - found.above_since).total_seconds() >= rule.hold_s
    assert finding.readings >= rule.minimum_readings
    course = wood_moisture_series(series, OPTIONS)
    assert course is not None
    crossed = int(np.argmax(course.value >= 20.0))
    assert found.above_since.timestamp() == series.hour_s[crossed]


def test_dry_timber_gives_a_value_that_clears():
    series, found = moisture(15.0, 60.0, 10 * DAY)
    finding = wood_finding(series, found, OPTIONS, 6 * HOUR_S)
    assert finding is not None
    assert finding.value is not None
    assert finding.value < 19.0
    assert finding.since is None


def test_in_the_cold_wet_timber_raises_nothing_and_closes_nothing():
    """Decay stops below about 2 °C (Wood Handbook ch. 14): no finding, so that an alert stays as it is."""
    series, found = moisture(-3.0, 95.0, 40 * DAY)
    assert found.value.value > 20.0
    assert found.warmth == "stopped"
    assert wood_finding(series, found, OPTIONS, 6 * HOUR_S) is None
    _, cool = moisture(6.0, 95.0, 40 * DAY)
    assert cool.warmth == "slow"
    assert "decay is slow" in timber_sentence(ENGLISH, cool)


def test_silence_is_unknown_and_holds():
    humidity = np.r_[np.full(20 * DAY, 97.0), np.full(3 * DAY, np.nan)]
    series, found = moisture(15.0, humidity, len(humidity))
    finding = wood_finding(series, found, OPTIONS, 6 * HOUR_S)
    assert finding is not None
    assert finding.value is None
    assert found.equilibrium is None
    before = wood_moisture_series(track(location(), 15.0, 97.0, 20 * DAY), OPTIONS)
    assert before is not None
    assert found.value.value == pytest.approx(float(before.value[-1]))


def test_air_beyond_saturation_and_frost_are_inside_the_equation():
    for t, rh in ((-35.0, 100.0), (60.0, 104.0), (20.0, 0.0)):
        _, found = moisture(t, rh, 3 * DAY)
        assert np.isfinite([found.value.value, found.high, found.value.u]).all()


def test_it_is_not_wet_since_before_the_first_reading():
    """The record may begin months before the probe was heard: what the timber held then nobody knows."""
    rh = np.full(60 * DAY, 95.0)
    rh[: 20 * DAY] = np.nan
    series, found = moisture(15.0, rh, len(rh))
    assert found.above_since is not None
    assert found.above_since.timestamp() == series.hour_s[20 * DAY]
