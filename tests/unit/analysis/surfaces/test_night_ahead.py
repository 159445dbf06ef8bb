"""The night ahead at a cold surface: from the continued margin to a forecast, and how it is said."""

from __future__ import annotations

import re
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from damage_support import continue_series, location, night_ahead, surface_of_hours, track
from english import ENGLISH
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from monitord.analysis.air.outdoor_forecast import OutdoorForecast
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.surfaces.night_ahead import expected_finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import HOUR_S
from monitord.physics.moist_air import relative_humidity, saturation_vapour_pressure, vapour_pressure
from monitord.text.damage import night_sentence

OPTIONS = AnalysisOptions()
HELSINKI = ZoneInfo("Europe/Helsinki")


def cycle(n, mean=3.0, swing=4.0, lowest_at=4):
    """A margin that swings daily and is least at an hour of the day (UTC). [K]"""
    return mean - swing * np.cos(2 * np.pi * (np.arange(n) - lowest_at) / 24.0)


# --- at a surface ---------------------------------------------------------------------------------------------


def at_surface(margin, dew_c=8.0, **more):
    """A surface touched by a sensor, in air of one dew point, with a given margin to it in each hour."""
    t = np.full(len(margin), 20.0)
    rh = 100 * saturation_vapour_pressure(dew_c) / saturation_vapour_pressure(20.0)
    return track(location("surface", name="pane", **more), t, rh, surface=dew_c + margin)


def ahead_of(margin, forecast=None, options=OPTIONS):
    series = at_surface(margin)
    surface = surface_of_hours(series, None, None, options)
    assert surface is not None
    return night_ahead(series, surface, None, None, options, forecast)


def test_what_is_expected_is_said_in_the_jobs_own_time():
    """A margin that dips to 1.2 K below the dew point at 04:00 UTC is said as of Helsinki, two hours later."""
    found = ahead_of(cycle(24 * 15, mean=2.8, swing=4.0))
    assert found is not None
    assert found.expected_from is not None
    assert found.expected_to is not None
    assert found.deepest_at.hour == 4
    assert found.deepest.value == pytest.approx(-1.2, abs=0.1)
    clock = f"{found.expected_from.astimezone(HELSINKI):%H:%M}"
    said = night_sentence(replace(ENGLISH, zone=HELSINKI), found)
    assert re.search(rf"Condensation (very )?likely \([\d>] ?\d*.*%\) \w+ \d+ \w+ {clock} to ", said)
    assert re.search(r"margin then −1\.\d+ ± \d\.\d+ K\.", said)
    assert said.endswith(f"By the daily cycle of the last {OPTIONS.night_cycle_days} days.")
    assert found.expected_from.hour == int(clock[:2]) - 2


def test_a_safe_night_says_how_near_it_comes():
    found = ahead_of(cycle(24 * 15, mean=9.0))
    assert found is not None
    assert found.expected_from is None
    assert found.probability < 0.01
    said = night_sentence(ENGLISH, found)
    assert said.startswith(f"No condensation expected in the next {OPTIONS.night_hours} h: nearest ")
    assert re.search(r"margin then \+[45]\.\d+ ± \d\.?\d* K; chance < 1 %\.", said)


def test_it_is_possible_from_the_hour_at_which_one_night_in_four_would_condense():
    """Chances by the normal distribution of scipy, from the margins and uncertainties that are given."""
    found = ahead_of(cycle(24 * 15, mean=3.5, swing=4.0))
    assert found is not None
    assert found.expected_from is not None
    assert found.possibly_from is not None
    chance = norm.cdf(0.0, found.margin_k, found.u_k)
    begins = round((found.possibly_from - found.made_at).total_seconds() / HOUR_S)
    assert begins < round((found.expected_from - found.made_at).total_seconds() / HOUR_S)
    assert chance[begins - 1] < 0.25 < chance[begins]


def test_a_surface_that_condenses_throughout_has_no_end():
    found = ahead_of(cycle(24 * 15, mean=-6.0))
    assert found is not None
    assert found.expected_from == found.made_at
    assert found.expected_to is None
    assert found.probability > 0.99
    assert "Condensation very likely (> 99 %) from " in night_sentence(ENGLISH, found)


def test_the_finding_is_unknown_where_there_is_no_forecast():
    series = at_surface(cycle(20))
    finding = expected_finding(series, None, series.end_s, 6 * HOUR_S)
    assert finding.kind == "condensation_expected"
    assert finding.value is None
    assert finding.interval_s == 6 * HOUR_S
    known = expected_finding(series, ahead_of(cycle(24 * 15)), series.end_s, 6 * HOUR_S)
    assert known.value is not None
    assert (known.facts.chance, known.facts.margin) == (known.value, ahead_of(cycle(24 * 15)).deepest)


def weather(outdoor_c, n=24 * 15):
    """A room at 30 %, too dry to condense, with a pane of factor 0.5; outdoors steady at `outdoor_c` and 45 %."""
    room = track(location("room_air", "room", f_rsi=0.5), 20.0, 30.0, n)
    return room, track(location("outdoor_air", "out"), outdoor_c, 45.0, n)


def with_forecast(outdoor_c, to_come_c, options=OPTIONS):
    room, out = weather(outdoor_c)
    surface = surface_of_hours(room, room, out, options)
    assert surface is not None
    times = room.end_s + HOUR_S * np.arange(36)
    vapour = float(vapour_pressure(outdoor_c, 45.0))
    rh = np.clip(relative_humidity(np.full(36, to_come_c), np.full(36, vapour)), 1, 100)
    forecast = OutdoorForecast(times, np.full(36, to_come_c), np.asarray(rh))
    plain = night_ahead(room, surface, room, out, options)
    told = night_ahead(room, surface, room, out, options, forecast)
    assert plain is not None
    assert told is not None
    return plain, told


def test_a_forecast_of_frost_brings_the_surface_down_by_its_factor():
    """Outdoors 8 K colder with the same vapour: a surface of factor 0.5 comes 4 K lower once its memory has passed."""
    plain, told = with_forecast(0.0, -8.0)
    assert plain.margin_k[-1] - told.margin_k[-1] == pytest.approx(4.0, abs=0.6)
    assert plain.margin_k[0] - told.margin_k[0] == pytest.approx(1.0, abs=0.5)  # a quarter of a four-hour memory
    assert told.probability > plain.probability
    assert told.by_outdoor_forecast
    assert "and the outdoor forecast." in night_sentence(ENGLISH, told)


def test_a_forecast_of_what_is_changes_nothing_but_the_uncertainty():
    plain, told = with_forecast(0.0, 0.0)
    assert told.margin_k == pytest.approx(plain.margin_k, abs=0.1)
    assert told.u_k[-1] > plain.u_k[-1]  # the weather forecast's own error


def test_a_forecast_that_does_not_reach_that_far_is_used_as_far_as_it_goes():
    room, out = weather(0.0)
    surface = surface_of_hours(room, room, out, OPTIONS)
    assert surface is not None
    times = room.end_s + HOUR_S * np.arange(7)
    forecast = OutdoorForecast(times, np.full(7, -8.0), np.full(7, 85.0))
    found = night_ahead(room, surface, room, out, OPTIONS, forecast)
    assert found is not None
    assert np.isfinite(found.margin_k).all()
    empty = OutdoorForecast(np.empty(0), np.empty(0), np.empty(0))
    assert night_ahead(room, surface, room, out, OPTIONS, empty) is not None


@pytest.mark.parametrize(("memory_d", "worst_rms"), [(0.0, 1.2), (6.0, 0.65)])
def test_how_fast_a_dull_day_fades_is_learned_from_the_place(memory_d, worst_rms):
    """Days that know nothing of each other, as in a ventilated attic in summer, and days that last, as in winter.

    Each day's level has a standard deviation of 1 K: no forecast of independent days errs by less; carried on with the
    fade of a winter (0.99 an hour) the first came out 1.26 K wrong.
    """
    rng = np.random.default_rng(11)
    keep = 0.0 if memory_d == 0.0 else float(np.exp(-1.0 / memory_d))
    level = np.zeros(70)
    for k in range(1, len(level)):
        level[k] = keep * level[k - 1] + np.sqrt(1.0 - keep**2) * rng.normal()
    margin = cycle(24 * len(level)) + np.repeat(level, 24) + rng.normal(0.0, 0.1, 24 * len(level))
    errors = []
    for end in range(24 * 18, 24 * 69, 24):
        found = continue_series(margin[end - 400 : end], 24, 5, 0.4)
        assert found is not None
        errors.append(found.lowest - margin[end : end + 24].min())
    assert np.sqrt(np.mean(np.square(errors))) < worst_rms


def test_a_surface_that_condensing_holds_at_the_dew_point_is_not_foretold_far_below_it():
    """Nights that ended 0.1 K under the dew point, then an evening 4 K nearer to it than any: not 4 K under it."""
    margin = np.maximum(cycle(24 * 15 + 17, mean=3.5), -0.1)
    margin[-4:] -= 4.0
    assert margin.min() > -0.2
    plain, held = continue_series(margin, 24, 5, 0.4), continue_series(margin, 24, 5, 0.4, held_under=0.0)
    assert plain is not None
    assert held is not None
    assert plain.lowest < -1.5
    assert -0.75 < held.lowest < 0.0
    assert held.value.min() >= -0.75


def test_a_surface_that_has_been_deep_is_foretold_as_deep_again():
    held = continue_series(cycle(24 * 15), 24, 5, 0.4, held_under=0.0)
    assert held is not None
    assert held.lowest == pytest.approx(-1.0, abs=0.05)


def test_a_place_whose_low_forecasts_come_true_in_part_is_foretold_so():
    """Days of a level of their own, of which the night shows a third: evenings say three times what the night does."""
    rng = np.random.default_rng(3)
    level = np.repeat(rng.normal(0.0, 2.0, 40), 24)
    night = np.cos(2 * np.pi * (np.arange(24 * 40) - 4) / 24.0) > 0.0
    margin = cycle(24 * 40) + np.where(night, level / 3.0, level)
    errors = []
    for end in range(24 * 18 + 18, 24 * 39, 24):
        found = continue_series(margin[end - 400 : end], 24, 5, 0.4)
        assert found is not None
        errors.append(found.lowest - margin[end : end + 24].min())
    assert np.sqrt(np.mean(np.square(errors))) < 0.9  # the standard deviation of what comes is 0.67


def test_how_much_of_the_depth_condensing_leaves_is_that_of_a_balance_of_vapour():
    """Supply n V (p - p0) against deposition b A (p - ps) leaves 1/(1 + b A/(n V)) of the excess, n V/A 1 to 5 m/h.

    b by the analogy of heat and mass transfer (Lewis 1922; from memory) from 3 W/(m2 K) and 1200 J/(m3 K): 9 m/h.
    """
    b = 3.0 / 1200.0 * 3600.0
    assert 1.0 / (1.0 + b / 1.0) < SERIES.held_share < 1.0 / (1.0 + b / 5.0)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), n=st.integers(0, 420), gaps=st.integers(0, 6))
def test_no_pattern_of_gaps_gives_a_forecast_that_is_not_finite(seed, n, gaps):
    rng = np.random.default_rng(seed)
    margin = cycle(n) + rng.normal(0, 1, n)
    for _ in range(gaps):
        start = int(rng.integers(0, n + 1))
        margin[start : start + int(np.exp(rng.uniform(0, 5)))] = np.nan
    found = continue_series(margin, 24, 5, 0.4)
    if found is not None:
        assert np.isfinite(found.value).all()
        assert np.all(found.u >= 0.4)
        assert np.isfinite(found.lowest)
        assert found.u_lowest >= 0.4
