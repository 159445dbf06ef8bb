"""Mould at a location: what it rests on, gaps, where it is heading, the criteria beside it, and what is said."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from damage_support import NO_UNCERTAINTY, START_S, USUAL, location, surface_of_hours, track
from english import ENGLISH
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.surfaces.mould_risk import conditions_finding, material_of, mould_finding, mould_risk
from monitord.model.alerts import Severity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import SurfaceSource
from monitord.model.facts import Truth
from monitord.model.series import HOUR_S
from monitord.physics.mould.materials import SENSITIVITIES
from monitord.text.damage import mould_sentence
from simulators.building.mould import mould_index

OPTIONS = AnalysisOptions()
ZONE = ZoneInfo("Europe/Helsinki")
DAY = 24


def risk_of(series, room=None, outdoor=None, options=OPTIONS):
    return mould_risk(series, surface_of_hours(series, room, outdoor, options), series.end_s, ZONE, options)


def steady(t, rh, days, at=None, uncertainty=USUAL, **more):
    found = risk_of(track(at or location(), t, rh, DAY * days, uncertainty=uncertainty), **more)
    assert found is not None
    return found


def test_a_dry_place_has_no_index_and_no_caution():
    found = steady(20, 60, 90)
    assert (found.index, found.high, found.heading, found.level) == (0.0, 0.0, 0.0, "none")
    assert found.early_caution is False
    assert found.days_to_1 is None
    assert found.month_exceeded is False
    assert found.thirty_days_exceeded is False


def test_nothing_known_is_not_a_dry_place():
    series = track(location(), np.nan, np.nan, 200)
    assert risk_of(series) is None


def test_a_gap_is_held_and_counted_not_dried():
    """Twenty days of growth, then ten of silence: the index stays as it was and the silence is told."""
    humidity = np.r_[np.full(20 * DAY, 95.0), np.full(10 * DAY, np.nan)]
    silent, dry = humidity, np.where(np.isnan(humidity), 50.0, humidity)
    held, dried = (risk_of(track(location(), 20.0, x, len(x))) for x in (silent, dry))
    before = steady(20, 95, 20)
    assert held is not None
    assert dried is not None
    assert held.index == pytest.approx(before.index)
    assert dried.index < before.index - 0.1
    assert held.unknown_share == pytest.approx(1 / 3)
    assert held.heading is None  # unknown holds an alert's state
    assert "33 % of the hours are not known" in mould_sentence(ENGLISH, held)
    assert mould_finding(track(location(), 20.0, silent, len(silent)), held, OPTIONS, 6 * HOUR_S).value is None


def test_an_unknown_surface_is_not_taken_for_the_air():
    """The outdoor air is silent half of the time: those hours are unknown, not those of the warmer air."""
    outdoor_c = np.where(np.arange(60 * DAY) % 48 < 24, 0.0, np.nan)
    series = track(location("room_air", f_rsi=0.5), 20.0, 60.0, 60 * DAY)
    outdoor = track(location("outdoor_air", "out"), outdoor_c, 80.0, 60 * DAY)
    found = risk_of(series, series, outdoor)
    assert found is not None
    assert found.unknown_share == pytest.approx(0.5, abs=0.01)
    assert found.index > 0.5
    assert found.surface_source is SurfaceSource.FACTOR


def test_without_outdoor_air_the_air_itself_is_what_is_known():
    found = steady(20, 85, 30, location("room_air", f_rsi=0.5))
    assert found.surface is None
    assert found.index > 0.4


def test_the_index_of_a_changing_course_is_that_of_a_plain_loop():
    """The simulator's own model, written apart: one hour at a time."""
    rng = np.random.default_rng(3)
    t = 12 + 6 * np.sin(np.arange(80 * DAY) / 40) + rng.normal(0, 1, 80 * DAY)
    rh = np.clip(84 + 10 * np.sin(np.arange(80 * DAY) / 90) + rng.normal(0, 3, 80 * DAY), 20, 100)
    found = risk_of(track(location(), t, rh, uncertainty=NO_UNCERTAINTY))
    assert found is not None
    assert found.index == pytest.approx(float(mould_index(t, rh)[-1]), abs=1e-9)
    assert found.index > 0.1


def test_low_and_high_are_what_one_standard_uncertainty_makes_of_it():
    found = steady(20, 88, 40, uncertainty=USUAL)
    one = USUAL.relative_humidity_pct
    assert found.low == pytest.approx(steady(20, 88 - one, 40, uncertainty=NO_UNCERTAINTY).index)
    assert found.high == pytest.approx(steady(20, 88 + one, 40, uncertainty=NO_UNCERTAINTY).index)
    assert found.low < found.index < found.high


def test_heading_for_1_within_days_counts_as_1():
    """20 °C and 97 %: index 1 after 10.4 days (table of Hukka and Viitanen's law). After five it is a week off."""
    early, late = steady(20, 97, 3), steady(20, 97, 5)
    assert early.heading is not None
    assert early.heading < 1.0
    assert late.index < 1.0
    assert late.heading == 1.0
    assert late.days_to_1 == pytest.approx(5.4, abs=0.3)
    assert late.level == "watch"
    assert "early growth in 5 days" in mould_sentence(ENGLISH, late)
    sooner = AnalysisOptions(mould_days_ahead=3)
    assert steady(20, 97, 5, options=sooner).heading == pytest.approx(late.index)


def test_growth_that_has_stopped_is_not_heading_anywhere():
    humidity = np.r_[np.full(5 * DAY, 97.0), np.full(4 * DAY, 60.0)]
    found = risk_of(track(location(), 20.0, humidity, len(humidity)))
    assert found is not None
    assert found.index > 0.3
    assert found.heading == found.index
    assert found.days_to_1 is None


@pytest.mark.parametrize(
    ("days", "level", "severity"),
    [(5, "watch", Severity.NOTE), (12, "warn", Severity.WATCH), (22, "act", Severity.ACT)],
)
def test_alerts_come_heading_for_1_at_1_and_at_3(days, level, severity):
    found = steady(20, 97, days)
    rule = default_rule_book().rule_for("mould", "j", "here")
    assert rule is not None
    assert found.level == level
    assert found.heading is not None
    assert found.heading >= rule.raise_at
    assert rule.severity_of(found.heading) is severity


@pytest.mark.parametrize(("t", "rh", "caution"), [(12, 81, True), (12, 79, False), (4, 90, False), (6, 81, True)])
def test_the_early_caution_is_80_percent_over_seven_days_above_5_degrees(t, rh, caution):
    """The limit of EN ISO 13788 over a shorter time; our choice. It is a caution, not an alert."""
    found = steady(t, rh, 8, uncertainty=NO_UNCERTAINTY)
    assert found.early_caution is caution
    assert found.level == ("watch" if caution else "none")
    assert steady(t, rh, 6, uncertainty=NO_UNCERTAINTY).early_caution is None
    assert found.heading is not None
    assert found.heading < 1.0


@pytest.mark.parametrize("rh", [79.0, 81.0])
def test_a_calendar_month_in_the_jobs_zone_is_held_to_80_percent(rh):
    """EN ISO 13788. The record is 2025-01-06 to 2025-03-07: February is the last month known well enough."""
    humidity = np.full(60 * DAY, 50.0)
    hour = START_S + HOUR_S * np.arange(60 * DAY)
    local = np.array([datetime.fromtimestamp(h, UTC).astimezone(ZONE).month for h in hour])
    humidity[local == 2] = rh
    found = risk_of(track(location(), 12.0, humidity, 60 * DAY))
    assert found is not None
    assert found.month_mean_rh == pytest.approx(rh)
    assert found.month_exceeded is (rh > 80.0)
    assert found.thirty_days_exceeded is False


def test_the_30_day_criterion_counts_between_5_and_40_degrees():
    """ASHRAE 160-2009 with addendum a."""
    assert steady(12, 81, 31).thirty_days_exceeded is True
    assert steady(3, 95, 31).thirty_days_exceeded is False
    assert steady(12, 81, 20).thirty_days_exceeded is None


def test_the_most_careful_material_is_taken_where_none_is_stated():
    assert material_of(location()).sensitivity is SENSITIVITIES["very_sensitive"]
    assert material_of(location()).decline == 1.0
    stated = material_of(location(mould_sensitivity="medium_resistant"))
    assert stated.sensitivity is SENSITIVITIES["medium_resistant"]
    assert stated.decline < 1.0
    concrete, pine = (steady(20, 95, 30, location(mould_sensitivity=m)) for m in ("medium_resistant", None))
    assert concrete.index < 0.2 < 2.0 < pine.index
    assert "concrete" in mould_sentence(ENGLISH, concrete)
    assert "untreated pine" in mould_sentence(ENGLISH, pine)


def test_a_finding_carries_index_material_and_stage():
    series = track(location(name="corner"), 20.0, 97.0, 12 * DAY)
    found = risk_of(series)
    assert found is not None
    finding = mould_finding(series, found, OPTIONS, 6 * HOUR_S)
    assert finding.kind == "mould"
    assert finding.unit == "mould index"
    assert finding.facts.value is not None
    assert finding.facts.value.value == found.index
    assert (finding.facts.material, finding.facts.growth) == ("very_sensitive", "early")
    assert finding.facts.start is None, "it has reached 1"
    assert finding.interval_s == 6 * HOUR_S
    assert finding.readings == 24


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 10_000), more=st.floats(0, 8))
def test_a_more_humid_course_never_has_a_lower_index(seed, more):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(30, 40 * DAY))
    t, rh = rng.uniform(-5, 35) + rng.normal(0, 3, n), np.clip(rng.uniform(70, 99) + rng.normal(0, 8, n), 1, 100)
    drier, wetter = (risk_of(track(location(), t, np.minimum(x, 100.0))) for x in (rh, rh + more))
    assert drier is not None
    assert wetter is not None
    assert wetter.index >= drier.index - 1e-12
    assert 0.0 <= drier.low <= drier.index <= drier.high <= 6.0


@pytest.mark.parametrize(
    ("t", "rh", "days", "truth"),
    [
        (12.0, 83.0, 9, Truth.TRUE),
        (12.0, 77.0, 9, Truth.FALSE),
        (3.0, 90.0, 9, Truth.FALSE),  # too cold (ASHRAE 160: from 5 °C on)
        (12.0, 83.0, 5, Truth.UNKNOWN),
    ],
)
def test_a_week_over_80_percent_is_told_beside_an_index_that_says_nothing_yet(t, rh, days, truth):
    series = track(location(), t, rh, DAY * days)
    risk = risk_of(series)
    assert risk is not None
    found = conditions_finding(series, risk, 6 * HOUR_S)
    assert risk.index < 0.2
    assert found.truth is truth
    if truth is Truth.TRUE:
        assert found.facts.value is not None
        assert found.facts.value.value == pytest.approx(rh, abs=0.1)
        rule = default_rule_book().rule_for("mould_conditions", "j", "x")
        assert rule is not None
        assert rule.severity_for(found) is Severity.NOTE
