"""When a leak that was told is over, and from when on it counts: just before and just after, by made-up records.

The values behind are our choice (`wetting/parameters.py`); the least rise of a cavity is 2 % RH, of a void 1.5.
"""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import (
    CAVITY,
    OUTDOOR,
    ROOM,
    SLEEVE,
    START_S,
    VOID,
    hours,
    location,
    noise,
    references_until,
    track,
    track_at,
    until,
)

from monitord.analysis.series.hourly_series import ReferenceSeries
from monitord.analysis.wetting.rewetting import wetting
from monitord.model.assessments import Finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import Truth
from monitord.model.jobs import LocationKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.moist_air import saturation_vapour_pressure

OPTIONS = AnalysisOptions()
DAYS = 30.0
H = hours(DAYS)
N = len(H)
LEAK_H = 16 * 24
INSIDE = track_at(location(ROOM), 20.0, 900.0 + noise(N, 4.0, 1), DAYS)
OUTSIDE = track_at(location(OUTDOOR), 6.0, 600.0 + noise(N, 4.0, 2), DAYS)
REFERENCES = ReferenceSeries(INSIDE, INSIDE, OUTSIDE)


def leak(by_pct: float, over_h: float = 3.0, at_h: float = LEAK_H) -> Array:
    return np.asarray(by_pct * (1.0 - np.exp(-np.clip(H - at_h, 0.0, None) / over_h)))


def dries(by_pct: float, from_h: float, to_h: float) -> Array:
    """From so long after the leak to so long after it."""
    return np.asarray(by_pct * np.clip((H - LEAK_H - from_h) / (to_h - from_h), 0.0, 1.0))


def judged(extra_pct: Array, after_h: int, kind: LocationKind = CAVITY) -> Finding:
    vapour = 1200.0 + float(saturation_vapour_pressure(15.0)) / 100.0 * (extra_pct + noise(N, 0.1, 5))
    series, end = track_at(location(kind), 15.0, vapour, DAYS), LEAK_H + after_h
    found = wetting(until(series, end), references_until(REFERENCES, end), START_S + HOUR_S * end, OPTIONS, -np.inf)
    assert found is not None
    return found


def stands(extra_pct: Array, after_h: int, kind: LocationKind = CAVITY) -> bool:
    return judged(extra_pct, after_h, kind).truth is Truth.TRUE


@pytest.mark.parametrize(("kind", "least_pct"), [(CAVITY, 2.388), (VOID, 1.766)])
def test_it_counts_once_it_rose_by_seven_tenths_of_the_least_rise(kind: LocationKind, least_pct: float) -> None:
    """Slowly, over 20 hours: part of it has already become the level before."""
    assert not stands(leak(0.95 * least_pct, 20.0), 60, kind)
    assert stands(leak(1.05 * least_pct, 20.0), 60, kind)


@pytest.mark.parametrize(("share", "stood"), [(0.57, True), (0.63, False)])
def test_it_is_over_once_six_tenths_of_the_rise_are_gone(share: float, stood: bool) -> None:
    assert stands(leak(10.0) - dries(10.0 * share, 30.0, 40.0), 46) is stood


@pytest.mark.parametrize(("after_h", "stood"), [(72, True), (80, False)])
def test_it_is_over_once_it_fell_for_a_day_and_nothing_came_for_half_a_day(after_h: int, stood: bool) -> None:
    assert stands(leak(10.0) - dries(3.0, 14.0, 26.0), after_h) is stood


@pytest.mark.parametrize(("by_pct", "stood"), [(0.8, True), (1.25, False)])
def test_a_fall_is_half_the_least_rise(by_pct: float, stood: bool) -> None:
    assert stands(leak(10.0) - dries(by_pct, 40.0, 80.0), 120) is stood


@pytest.mark.parametrize(("after_h", "stood"), [(255, True), (280, False)])
def test_after_ten_days_without_anything_new_its_level_is_the_usual_one(after_h: int, stood: bool) -> None:
    """The last of it was new a day after the leak."""
    assert stands(leak(6.0), after_h) is stood


@pytest.mark.parametrize(("later_h", "own"), [(111, False), (123, True)])
def test_what_comes_four_days_later_is_a_leak_of_its_own(later_h: int, own: bool) -> None:
    extra = leak(4.0) * (LEAK_H + 20 > H) + leak(6.0, at_h=LEAK_H + later_h)
    since = judged(extra, later_h + 12).since
    assert since is not None
    assert (since.timestamp() > START_S + HOUR_S * (LEAK_H + 20)) is own


def turned(by_pct: float) -> bool:
    """Whether a sleeve that dried for 26 days and then rose by so much within four is told of."""
    day = H / 24.0
    humidity = 88.0 + 6.0 * np.exp(-day / 8.0) + by_pct * np.clip((day - 25.9) / 4.0, 0.0, 1.0)
    series = track(location(SLEEVE), 18.0, humidity + noise(N, 0.05, 8), DAYS)
    found = wetting(series, REFERENCES, START_S + HOUR_S * N, OPTIONS, START_S + 120 * HOUR_S)
    return found is not None and found.truth is Truth.TRUE


def test_a_slow_turn_is_told_from_two_thirds_of_the_departure_on() -> None:
    """1.5 % RH is the setting."""
    assert not turned(0.88)
    assert turned(1.05)
