"""The view of damage as a whole: pure, the same with or without memory, and its alerts over several nights."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from damage_support import START, START_S, job_of, location, track, view_of

from monitord.alerts.lifecycle.engine import step
from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.routing.inhibition import inhibited
from monitord.analysis.air.outdoor_forecast import OutdoorForecast
from monitord.analysis.assess import AssessmentCache, assess_job
from monitord.analysis.damage import assess_damage
from monitord.analysis.hourly_results import HourlyResults
from monitord.analysis.series.hourly_series import TimberSpot
from monitord.model.alerts import Alert, AlertStatus
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import VentilationEffect
from monitord.model.facts import Truth
from monitord.model.jobs import JobFile
from monitord.model.series import HOUR_S
from monitord.replay.recorder import Recorder

OPTIONS, RULES = AnalysisOptions(), default_rule_book()
ROOM = location("room_air", "room", f_rsi=0.6)
OUT = location("outdoor_air", "out")
CAVITY = location("cavity", "cavity", f_rsi=0.4, reference="room")
VOID = location("subfloor_void", "void", reference="room")
SLEEVE = location("slab_sleeve", "sleeve", depth_mm=40, reference="room")
KINDS = ("condensation_expected", "mould", "wood_decay", "freezing", "overheating")


def winter(n=24 * 20):
    """Tracks of a heated room in frosty nights, with a damp cavity and void."""
    outdoor = 1.0 - 5.0 * np.cos(2 * np.pi * (np.arange(n) - 3) / 24)
    return (
        track(ROOM, 20.0, 50.0, n),
        track(OUT, outdoor, 85.0),
        track(CAVITY, 12.0 + 0.3 * outdoor, 85.0),
        track(VOID, 10.0, 96.0, n),
        track(SLEEVE, 18.0, 92.0, n),
    )


def winter_job():
    return job_of(ROOM, OUT, CAVITY, VOID, SLEEVE, zone="Europe/Helsinki")


def test_every_place_that_can_be_harmed_is_judged_and_no_other():
    view = assess_damage(winter_job(), view_of(*winter()), OPTIONS)
    assert set(view.locations) == {"room", "cavity", "void"}
    assert set(view.ventilation_days) == {"room"}
    found = {(finding.kind, finding.location) for finding in view.findings}
    assert {("mould", key) for key in ("room", "cavity", "void")} <= found
    assert {("condensation_expected", key) for key in ("room", "cavity")} <= found
    assert {("wood_decay", key) for key in ("cavity", "void")} <= found
    assert not any(location in ("sleeve", "out") for _, location in found)
    assert view.at("sleeve").mould is None
    assert view.at("void").wood is not None
    assert view.at("void").night_ahead is None  # no surface is known there
    assert all(finding.interval_s == 6 * HOUR_S for finding in view.findings)


def test_an_empty_job_and_an_empty_record_give_an_empty_view():
    nothing = assess_damage(job_of(), HourlyResults(START_S), OPTIONS)
    assert (nothing.locations, nothing.findings, nothing.ventilation_days) == ({}, [], {})
    silent = assess_damage(job_of(ROOM), view_of(track(ROOM, np.nan, np.nan, 100)), OPTIONS)
    assert silent.findings == []


def test_the_view_is_the_same_each_time_and_alters_nothing():
    all_series = winter()
    before = [t.temperature_c.copy() for t in all_series]
    first, second = (assess_damage(winter_job(), view_of(*all_series), OPTIONS) for _ in range(2))
    assert first == second
    assert all(np.array_equal(a, t.temperature_c) for a, t in zip(before, all_series, strict=True))


def test_spots_and_an_outdoor_forecast_are_taken_where_they_are_given():
    all_series = winter()
    spot = TimberSpot(START_S + 5 * 86_400.0, 27.0, 0.5)
    measured = [replace(t, spots=(spot,)) if t.location.id == "void" else t for t in all_series]
    times = all_series[0].end_s + HOUR_S * np.arange(30)
    forecast = OutdoorForecast(times, np.full(30, 10.0), np.full(30, 40.0))  # warm and dry: a surface that stays dry
    plain = assess_damage(winter_job(), view_of(*all_series), OPTIONS)
    told = assess_damage(winter_job(), view_of(*measured), OPTIONS, forecast)
    wood, night = told.at("void").wood, told.at("cavity").night_ahead
    assert wood is not None
    assert wood.spot_at is not None
    plain_wood, plain_night = plain.at("void").wood, plain.at("cavity").night_ahead
    assert plain_wood is not None
    assert plain_night is not None
    assert night is not None
    assert wood.value.value > plain_wood.value.value
    assert night.probability < 0.5 < plain_night.probability
    assert night.by_outdoor_forecast


# --- in the assessment ------------------------------------------------------------------------------------------


def site():
    """A job with a cold corner whose sensor is read every ten minutes."""
    return JobFile.model_validate(
        {
            "job": "j",
            "start": START,
            "locations": [
                {"id": "corner", "kind": "surface", "reference": "room"},
                {"id": "room", "kind": "room_air", "name": "hall"},
                {"id": "out", "kind": "outdoor_air"},
            ],
            "probes": [
                {"id": f"p-{key}", "location_id": key, "from": START, "interval_s": 600}
                for key in ("corner", "room", "out")
            ],
        }
    )


def feed(recorder, from_s, to_s, corner_c):
    """Readings of every ten minutes; the air's dew point is about 10.7 °C (20 °C, 55 %, psychrolib 2.5)."""
    for at in np.arange(from_s, to_s, 600.0):
        moves = 0.3 * np.sin(at / 3000.0)  # no real probe repeats itself for hours
        for key, t, rh, surface in (("corner", 20.0, 55.0, corner_c(at)), ("room", 20.0, 55.0, np.nan),
                                    ("out", 2.0, 80.0, np.nan)):  # fmt: skip
            recorder.add(f"p-{key}", (at, t + moves, rh - moves, surface, np.nan, at))


def nights(*spells):
    """A corner at 14 °C, and at 9.5 °C in spells given as (hours from the start, length in hours)."""

    def corner(at):
        hour = (at - START_S) / HOUR_S
        return 9.5 if any(start <= hour < start + length for start, length in spells) else 14.0

    return corner


def run(corner, until_h, every_h=0.5):
    """Alerts about condensing at the corner, assessed along the way; every change of state."""
    job, cache, alerts, events = site(), AssessmentCache(), {}, []
    recorder, fed = Recorder(job), START_S
    for hour in np.arange(2.0, until_h + every_h, every_h):
        at = START_S + HOUR_S * float(hour)
        feed(recorder, fed, at + 1.0, corner)
        fed = float(np.floor(at / 600.0) * 600.0 + 600.0)
        as_of = datetime.fromtimestamp(at, UTC)
        assessed = assess_job(job, recorder.record(at), as_of, OPTIONS, cache, compared=False)
        findings = [f for f in assessed.findings if f.kind == "condensation"]
        result = step(RULES, list(alerts.values()), findings, "j", as_of)
        alerts.update((alert.fingerprint, alert) for alert in result.alerts)
        events += [(event.event, (event.at - START) / timedelta(hours=1)) for event in result.events]
    return events, list(alerts.values())


def test_nights_less_than_a_day_apart_are_one_episode_and_one_alert():
    events, alerts = run(nights((10, 4), (34, 4), (56, 3)), 24 * 4)
    opened = [at for event, at in events if event == "opened"]
    closed = [at for event, at in events if event == "closed"]
    assert len(opened) == 1
    assert 10.5 <= opened[0] <= 11.5  # half an hour of it
    assert len(closed) == 1
    assert 82.5 <= closed[0] <= 84.5  # a day after the last
    assert alerts[0].status is AlertStatus.CLOSED


def test_less_than_half_an_hour_is_no_event():
    events, _ = run(nights((10, 0.4), (20, 0.3)), 30, every_h=1 / 6)
    assert [event for event, _ in events if event == "opened"] == []


def assessed_at(hours, cache=None, compared=True, forecast=None):
    recorder = Recorder(site())
    at = START_S + HOUR_S * hours
    feed(recorder, START_S, at, nights((10, 4), (34, 4), (58, 4)))
    as_of = datetime.fromtimestamp(at, UTC)
    return assess_job(site(), recorder.record(at), as_of, OPTIONS, cache, compared=compared, outdoor_forecast=forecast)


def test_with_or_without_memory_the_assessment_is_the_same():
    cache = AssessmentCache()
    for hours in (40.0, 41.0, 47.0, 61.5, 61.5, 80.0):
        assert assessed_at(hours, cache) == assessed_at(hours)


def test_a_new_outdoor_forecast_is_not_hidden_by_memory():
    cache = AssessmentCache()
    times = START_S + HOUR_S * np.arange(60, 110)
    cold = OutdoorForecast(times, np.full(50, -25.0), np.full(50, 80.0))
    plain, told = assessed_at(80.0, cache), assessed_at(80.0, cache, forecast=cold)
    assert told == assessed_at(80.0, forecast=cold)
    location_plain, location_told = plain.at("corner"), told.at("corner")
    assert location_plain is not None
    assert location_told is not None
    assert location_plain.night_ahead is not None
    assert location_told.night_ahead is not None
    assert (location_told.night_ahead.by_outdoor_forecast, location_plain.night_ahead.by_outdoor_forecast) == (
        True,
        False,
    )


def test_findings_do_not_rest_on_what_is_only_shown():
    shown, quick = assessed_at(80.0), assessed_at(80.0, compared=False)
    assert shown.findings == quick.findings
    assert len(shown.ventilation) == 1
    assert quick.ventilation == ()
    assert shown.ventilation[0].effect is VentilationEffect.DRIES


def test_what_the_night_will_bring_stands_in_the_alert_of_condensation():
    found = assessed_at(82.0)
    finding = next(f for f in found.findings if f.kind == "condensation")
    ahead = next(f for f in found.findings if f.kind == "condensation_expected")
    assert ahead.value is not None
    assert ahead.value > 0.5
    assert ahead.facts.start is not None
    assert finding.facts.chance == finding.value
    corner = found.at("corner")
    assert corner is not None
    assert corner.night_ahead is not None
    assert corner.mould is not None
    assert found.model_validate_json(found.model_dump_json()) == found


def test_an_open_alert_of_condensing_explains_the_one_that_expects_it():
    """What is happening need not also be foretold."""
    found = assessed_at(60.0)
    both = [f for f in found.findings if f.kind in ("condensation", "condensation_expected") and f.value]
    assert len(both) == 2
    result = step(RULES, [], [replace_value(f) for f in both], "j", found.as_of)
    opened = [a for a in result.alerts if a.status is AlertStatus.OPEN]
    assert {a.kind for a in opened} == {"condensation", "condensation_expected"}
    explained = inhibited(opened, found.as_of)
    assert [kind_of(opened, print_) for print_ in explained] == ["condensation_expected"]


def replace_value(finding):
    """As sure as can be, and for two hours."""
    since = finding.measured_at - timedelta(hours=2)
    return finding.model_copy(update={"value": 0.99, "since": since, "readings": 12})


def kind_of(alerts: list[Alert], print_: str) -> str:
    return next(alert.kind for alert in alerts if alert.fingerprint == print_)


def test_a_place_long_silent_keeps_what_was_known_of_it():
    recorder = Recorder(site())
    feed(recorder, START_S, START_S + 40 * HOUR_S, nights())
    at = START_S + 200 * HOUR_S
    found = assess_job(site(), recorder.record(at), datetime.fromtimestamp(at, UTC), OPTIONS)
    corner = found.at("corner")
    assert corner is not None
    assert corner.temperature is None
    assert corner.mould is not None
    assert corner.mould.heading is None
    mould = next(f for f in found.findings if f.kind == "mould" and f.location == "corner")
    assert mould.value is None


def test_a_sound_dry_house_tells_nothing_in_a_winter():
    """20 °C and 35 % indoors, cavity in the outdoor air, 60 days of frost and thaw; all clear limits kept."""
    n = 24 * 60
    outdoor = -3.0 + 6.0 * np.sin(np.arange(n) / 60.0) - 3.0 * np.cos(2 * np.pi * np.arange(n) / 24)
    all_series = (track(ROOM, 20.0, 35.0, n), track(OUT, outdoor, 85.0), track(CAVITY, outdoor + 1.5, 78.0),
              track(VOID, 8.0, 75.0, n))  # fmt: skip
    job = job_of(ROOM, OUT, replace_factor(CAVITY), VOID)
    for end in range(48, n, 24 * 5):
        cut = tuple(replace(t, **{name: getattr(t, name)[:end] for name in (
            "hour_s", "temperature_c", "relative_humidity_pct", "vapour_pressure_pa", "surface_temperature_c")})
            for t in all_series)  # fmt: skip
        for finding in assess_damage(job, view_of(*cut), OPTIONS).findings:
            rule = RULES.rule_for(finding.kind, "j", finding.location)
            assert rule is not None
            if rule.clear_at is None:
                assert finding.truth is not Truth.TRUE
                continue
            assert finding.value is not None
            assert finding.value < rule.clear_at


def replace_factor(location):
    return location.model_copy(update={"f_rsi": None})
