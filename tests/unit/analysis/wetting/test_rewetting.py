"""Getting wet again: water is found within hours, and what air, temperature and sealing explain is not called water.

The limits of a rise (1.5 %RH in a sleeve, 3 %RH in a cavity or void) are common practice; the series are made up.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from analysis_series import (
    CAVITY,
    OUTDOOR,
    ROOM,
    SLEEVE,
    START_S,
    VOID,
    blanked,
    daily,
    hours,
    location,
    noise,
    references_until,
    track,
    track_at,
    until,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.slabs.temperature_effect import sleeve_humidity_slope
from monitord.analysis.wetting.rewetting import wetting
from monitord.model.assessments import Finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import Truth
from monitord.model.jobs import LocationKind
from monitord.model.series import HOUR_S, Array

OPTIONS = AnalysisOptions()
DAYS = 20.0
H = hours(DAYS)
N = len(H)
LEAK_H = 14 * 24 + 7


def room(t: Array | float = 19.0, vp: Array | float = 1000.0) -> HourlySeries:
    return track_at(location(ROOM), t, vp + noise(N, 8.0, 3), DAYS)


def outdoor(t: Array | float = 5.0, vp: Array | float = 640.0) -> HourlySeries:
    return track_at(location(OUTDOOR), t, vp + noise(N, 8.0, 4), DAYS)


def airs(inside: HourlySeries | None = None, outside: HourlySeries | None = None) -> ReferenceSeries:
    inside = inside or room()
    return ReferenceSeries(inside, inside, outside or outdoor())


def cavity(rh: Array | float, t: Array | float = 15.0) -> HourlySeries:
    return track(location(CAVITY), t + noise(N, 0.05, 5), rh + noise(N, 0.25, 6), DAYS)


def judged(series: HourlySeries, references: ReferenceSeries, hour: int, settled_s: float = -np.inf) -> Finding:
    found = wetting(
        until(series, hour), references_until(references, hour), START_S + hour * HOUR_S, OPTIONS, settled_s
    )
    assert found is not None
    return found


def first_told(
    series: HourlySeries, references: ReferenceSeries, first: int, last: int, settled_s: float = -np.inf, every: int = 2
) -> int | None:
    """First hour at which it is said to be getting wet again, looking every two hours as the daemon does."""
    looks = (h for h in range(first, last + 1, every) if judged(series, references, h, settled_s).truth is Truth.TRUE)
    return next(looks, None)


def leak(by_pct: float, over_h: float, at: int = LEAK_H) -> Array:
    return np.asarray(by_pct * (1.0 - np.exp(-np.clip(H - at, 0.0, None) / over_h)))


DRYING = 62.0 + 12.0 * np.exp(-H / 120.0)


@pytest.mark.parametrize(("by_pct", "over_h"), [(8.0, 6.0), (15.0, 12.0), (25.0, 24.0)])
def test_a_leak_into_a_cavity_is_found_within_half_a_day(by_pct: float, over_h: float) -> None:
    series = cavity(DRYING + leak(by_pct, over_h))
    assert first_told(series, airs(), LEAK_H - 96, LEAK_H, every=4) is None
    told = first_told(series, airs(), LEAK_H, LEAK_H + 24)
    assert told is not None
    assert told - LEAK_H <= 12


def test_a_leak_into_a_cavity_that_swings_with_the_day_is_found_and_its_swings_are_not() -> None:
    series = cavity(DRYING + 5.0 * daily(H) + leak(18.0, 10.0), 15.0 + 2.0 * daily(H))
    assert first_told(series, airs(), 10 * 24, LEAK_H, every=3) is None
    told = first_told(series, airs(), LEAK_H, LEAK_H + 30)
    assert told is not None
    assert told - LEAK_H <= 24


def test_the_finding_says_from_where_to_where_and_since_when() -> None:
    series = cavity(DRYING + leak(15.0, 8.0))
    found = judged(series, airs(), LEAK_H + 24)
    assert (found.kind, found.location, found.truth) == ("rewetting", "cavity", Truth.TRUE)
    assert found.since is not None
    assert 0 <= (found.since - datetime.fromtimestamp(START_S + LEAK_H * HOUR_S, UTC)).total_seconds() <= 12 * HOUR_S
    before, now = DRYING[LEAK_H], (DRYING + leak(15.0, 8.0))[LEAK_H + 20]
    assert found.facts.before is not None
    assert found.facts.value is not None
    assert found.facts.before.value == pytest.approx(before, abs=1.0)
    assert found.facts.value.value == pytest.approx(now, abs=2.0)
    assert found.facts.value.u == series.uncertainty.relative_humidity_pct
    assert found.facts.outdoor_known is True


def test_once_the_water_has_dried_away_again_it_is_over() -> None:
    pulse = leak(14.0, 6.0) * np.exp(-np.clip(H - LEAK_H - 24, 0.0, None) / 20.0)
    series = cavity(DRYING + pulse)
    assert judged(series, airs(), LEAK_H + 20).truth is Truth.TRUE
    assert judged(series, airs(), LEAK_H + 110).truth is Truth.FALSE


# -- what is no leak -----------------------------------------------------------------------------------------------


def follows(air: Array, tau_h: float, start: float) -> Array:
    """A first-order lag of an air's course."""
    out, level = np.empty(len(air)), start
    for k, value in enumerate(air):
        level += (value - level) * (1.0 - np.exp(-1.0 / tau_h))
        out[k] = level
    return out


def test_humid_weather_that_wets_a_ventilated_void_is_no_leak() -> None:
    wandering = 500.0 + 60.0 * np.sin(H / 30.0)
    weather = wandering + 330.0 / (1.0 + np.exp(-(H - LEAK_H - 20) / 6.0))
    outside = outdoor(8.0 + 2.0 * daily(H), weather)
    void = track_at(location(VOID), 9.0, follows(weather + 60.0, 14.0, 560.0) + noise(N, 6.0, 7), DAYS)
    rose = void.relative_humidity_pct[LEAK_H + 72] - void.relative_humidity_pct[LEAK_H - 4]
    assert rose > 15.0  # it does get wetter, by much
    assert first_told(void, airs(outside=outside), 8 * 24, N, every=4) is None


def test_the_same_rise_of_a_void_in_steady_weather_is_told() -> None:
    steady = 500.0 + 60.0 * np.sin(H / 30.0)
    rise = 330.0 * (1.0 - np.exp(-np.clip(H - LEAK_H, 0, None) / 14.0))
    void = track_at(location(VOID), 9.0, follows(steady + 60.0, 14.0, 560.0) + rise + noise(N, 6.0, 7), DAYS)
    told = first_told(void, airs(outside=outdoor(8.0, steady)), LEAK_H, LEAK_H + 48)
    assert told is not None


@pytest.mark.parametrize("kind", [CAVITY, VOID])
def test_a_cold_snap_that_raises_humidity_at_the_same_vapour_is_no_leak(kind: LocationKind) -> None:
    t = 15.0 - 7.0 / (1.0 + np.exp(-(H - LEAK_H) / 5.0))
    series = track_at(location(kind), t, 900.0 + noise(N, 5.0, 8), DAYS)
    assert series.relative_humidity_pct[-1] - series.relative_humidity_pct[LEAK_H - 48] > 20.0
    references = airs(outside=outdoor(t - 8.0, 300.0))
    assert first_told(series, references, 8 * 24, N, every=4) is None


def test_warming_that_drives_vapour_out_of_the_construction_is_no_leak() -> None:
    """Vapour pressure doubles and humidity stays: what wet material does when it is heated."""
    t = 10.0 + 11.0 / (1.0 + np.exp(-(H - LEAK_H) / 5.0))
    series = cavity(68.0, t)
    assert series.vapour_pressure_pa[-1] > 1.8 * series.vapour_pressure_pa[LEAK_H - 48]
    assert first_told(series, airs(), 8 * 24, N, every=4) is None


def test_a_room_that_got_wetter_explains_a_cavity_that_follows_it() -> None:
    inside = 1000.0 + 80.0 * np.sin(H / 40.0) + 450.0 / (1.0 + np.exp(-(H - LEAK_H) / 4.0))
    series = track_at(location(CAVITY), 18.0, follows(inside, 8.0, 1000.0) + noise(N, 5.0, 9), DAYS)
    assert series.relative_humidity_pct[-1] - series.relative_humidity_pct[LEAK_H - 24] > 12.0
    assert first_told(series, airs(inside=room(vp=inside)), 8 * 24, N, every=4) is None


def test_the_same_rise_in_an_unchanged_room_is_told() -> None:
    inside = 1000.0 + 80.0 * np.sin(H / 40.0)
    rise = 450.0 / (1.0 + np.exp(-(H - LEAK_H) / 4.0))
    series = track_at(location(CAVITY), 18.0, follows(inside + rise, 8.0, 1000.0) + noise(N, 5.0, 9), DAYS)
    assert first_told(series, airs(inside=room(vp=inside)), LEAK_H, LEAK_H + 30) is not None


def test_a_ventilated_attic_that_cools_by_20_kelvin_in_an_evening_is_no_leak() -> None:
    """Outdoor air holds the same vapour all the time: at the day's mean temperature the evening would not be explained.

    The size of the swings is that of a published attic in summer (Finland, TRH database, structure YP1).
    """
    sun = np.clip(daily(H, 14.0), -0.2, 1.0) * np.where((H // 24).astype(int) % 5 < 2, 0.25, 1.0)
    t = 18.0 + 16.0 * sun
    weather = 1200.0 + 120.0 * np.sin(H / 35.0)
    attic = track_at(location(CAVITY), t, weather + noise(N, 12.0, 21), DAYS)
    assert np.max(attic.relative_humidity_pct[24:] - attic.relative_humidity_pct[:-24]) > 20.0
    assert first_told(attic, airs(outside=outdoor(16.0, weather)), 6 * 24, N, every=2) is None


# -- sleeves -------------------------------------------------------------------------------------------------------


def sleeve(rh: Array, t: Array | float = 18.0) -> HourlySeries:
    return track(location(SLEEVE), t + noise(N, 0.03, 10), rh + noise(N, 0.06, 11), DAYS)


SEALED_H = 48.0
APPROACH = np.where(H < SEALED_H, 52.0, 91.0 - 39.0 * np.exp(-np.clip(H - SEALED_H, 0, None) / 16.0)) - 0.002 * H
SETTLED_S = START_S + (SEALED_H + OPTIONS.sleeve_clock_h) * HOUR_S


def test_a_sleeve_that_rises_to_its_concretes_humidity_after_sealing_is_not_getting_wet() -> None:
    assert first_told(sleeve(APPROACH), airs(), 60, N, SETTLED_S, every=4) is None


@pytest.mark.parametrize("by_pct", [4.0, 7.0])
def test_water_that_reaches_a_settled_sleeve_is_told(by_pct: float) -> None:
    series = sleeve(APPROACH + leak(by_pct, 18.0))
    told = first_told(series, airs(), LEAK_H, LEAK_H + 48, SETTLED_S)
    assert told is not None
    assert told - LEAK_H <= 36


def test_a_sleeve_that_swings_with_temperature_as_sealed_concrete_does_is_not_getting_wet() -> None:
    """0.2 to 0.5 %RH per K (Bažant and Najjar 1972): a room that is heated by 6 K lifts the sleeve by about 2 %."""
    t = 15.0 + 6.0 / (1.0 + np.exp(-(H - LEAK_H) / 8.0))
    series = sleeve(88.0 - 0.003 * H + 0.36 * (t - 15.0), t)
    assert first_told(series, airs(inside=room(t + 1.0)), 10 * 24, N, SETTLED_S, every=4) is None


@pytest.mark.parametrize(("humidity", "published"), [(60.0, 0.0050), (75.0, 0.0051), (85.0, 0.0043), (95.0, 0.0021)])
def test_the_temperature_coefficient_of_a_sleeve_is_the_published_one(humidity: float, published: float) -> None:
    """Bažant and Najjar 1972, per K; the printed values have four decimals, and the probe's noise moves h a little."""
    assert sleeve_humidity_slope(sleeve(np.full(N, humidity))) == pytest.approx(100.0 * published, abs=0.012)


# -- always --------------------------------------------------------------------------------------------------------


def test_of_a_place_that_is_not_heard_it_is_not_known_and_an_older_gap_is_no_hindrance() -> None:
    series = cavity(DRYING + leak(15.0, 8.0))
    assert judged(blanked(series, LEAK_H - 8), airs(), LEAK_H + 12).truth is Truth.UNKNOWN
    assert judged(blanked(series, LEAK_H - 40, LEAK_H - 8), airs(), LEAK_H + 16).truth is Truth.TRUE


def test_nothing_is_said_on_less_than_a_day_and_a_half() -> None:
    series = cavity(DRYING)
    assert wetting(until(series, 35), references_until(airs(), 35), START_S + 35 * HOUR_S, OPTIONS, -np.inf) is None


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 0.8), st.floats(-15.0, 0.0))
def test_a_place_that_only_dries_is_never_called_getting_wet(seed: int, sd: float, trend: float) -> None:
    series = track(location(CAVITY), 15.0, 75.0 + trend * H / N + noise(N, sd, seed), DAYS)
    assert all(judged(series, airs(), hour).truth is Truth.FALSE for hour in (7 * 24, 12 * 24, N))
