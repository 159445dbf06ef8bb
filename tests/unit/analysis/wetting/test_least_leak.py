"""The least leak into a cavity or void that is told: one a twentieth smaller is not, one a twentieth larger is.

What is least depends on what the place did before: how restless it was, how it followed its airs and its own warmth,
for how long it was known. The records are made up; what is told of them follows from values that are our choice
(`wetting/parameters.py`), and the rates of false alarms that these were chosen for stand there.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from analysis_series import (
    CAVITY,
    OUTDOOR,
    ROOM,
    VOID,
    blanked,
    hours,
    location,
    noise,
    references_until,
    track_at,
    until,
)

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.wetting import cavities
from monitord.model.jobs import LocationKind
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure

DAYS = 30.0
H = hours(DAYS)
N = len(H)
LEAK_H = 27 * 24


def lagged(value: Array, tau_h: float, start: float | None = None) -> Array:
    """A first-order lag."""
    keep, level, out = float(np.exp(-1.0 / tau_h)), float(value[0]) if start is None else start, np.empty(N)
    for k in range(N):
        level = level * keep + value[k] * (1.0 - keep)
        out[k] = level
    return out


def wandering(sd: float, tau_h: float, seed: int) -> Array:
    """Noise that is remembered for so many hours."""
    keep = np.exp(-1.0 / tau_h)
    return lagged(noise(N, sd * np.sqrt(1.0 - keep**2), seed) / (1.0 - keep), tau_h, 0.0)


def room(vapour_pa: Array | float = 1000.0) -> HourlySeries:
    return track_at(location(ROOM), 20.0, vapour_pa + noise(N, 4.0, 1), DAYS)


def outdoor(vapour_pa: Array | float = 600.0) -> HourlySeries:
    return track_at(location(OUTDOOR), 6.0, vapour_pa + noise(N, 4.0, 2), DAYS)


WEATHER = wandering(80.0, 30.0, 11)
WARMTH_C = 15.0 + wandering(2.0, 40.0, 17)
SPIKES = np.zeros(N)
SPIKES[np.random.default_rng(3).choice(N, N // 12, replace=False)] = 102.0
RESTLESS = wandering(2.0, 12.0, 5)
QUIET = noise(N, 0.1, 5)


def told(
    by_pct: float,
    *,
    kind: LocationKind = CAVITY,
    vapour_pa: Array | float = 1200.0,
    restless_pct: Array = QUIET,
    t: Array | float = 15.0,
    inside: HourlySeries | None = None,
    outside: HourlySeries | None = None,
    after_h: int = 24,
    looked_h: int = 24,
    unknown: tuple[tuple[int, int], ...] = (),
    leak_h: int = LEAK_H,
) -> bool:
    """Whether a leak of so many % RH is told within some hours, looking back over some."""
    temperature = np.broadcast_to(np.asarray(t, dtype=float), (N,))
    extra = saturation_vapour_pressure(temperature) / 100.0 * (by_pct * (leak_h <= H) + restless_pct)
    series = track_at(location(kind), temperature, vapour_pa + extra, DAYS)
    for first, last in unknown:
        series = blanked(series, first, last)
    inside = inside or room()
    references, end = ReferenceSeries(inside, inside, outside or outdoor()), LEAK_H + after_h
    found, _ = cavities.hits(until(series, end), references_until(references, end), looked_h)
    return bool(found[-looked_h:].any())


def in_weather(by_pct: float) -> bool:
    """A void that follows the outdoor air by half a day and a bit."""
    weather = 600.0 + WEATHER
    return told(by_pct, kind=VOID, vapour_pa=lagged(weather, 14.0) + 100.0, t=9.0, outside=outdoor(weather))


def follows_room(by_pct: float, tau_h: float) -> bool:
    return told(by_pct, vapour_pa=1.1 * lagged(1000.0 + WEATHER, tau_h), inside=room(1000.0 + WEATHER))


def known_for_eight_days(by_pct: float) -> bool:
    inside = 1000.0 + WEATHER
    follows = 1.3 * lagged(inside, 8.0)
    return told(by_pct, vapour_pa=follows, inside=room(inside), unknown=((0, LEAK_H - 200),))


def after_a_gust(by_pct: float) -> bool:
    """Within four hours of a gust of humid room air that lasted three."""
    gust = 300.0 * ((LEAK_H - 3 <= H) & (LEAK_H > H))
    inside = room(1000.0 + WEATHER + gust)
    return told(by_pct, vapour_pa=1.15 * (1000.0 + WEATHER), inside=inside, after_h=4, looked_h=4)


def in_a_front(by_pct: float) -> bool:
    """A void half of whose air comes from outdoors, and a front that it has not followed yet."""
    outside = outdoor(600.0 + WEATHER + 300.0 * (LEAK_H - 6 <= H))
    return told(by_pct, kind=VOID, vapour_pa=0.6 * lagged(600.0 + WEATHER, 14.0) + 600.0, outside=outside)


def gives_off_as_it_warms(by_pct: float) -> bool:
    """Materials that give off seven tenths of saturation, half a day late."""
    vapour = 0.7 * lagged(saturation_vapour_pressure(WARMTH_C), 12.0) + 100.0
    return told(by_pct, vapour_pa=vapour, t=WARMTH_C)


@pytest.mark.parametrize(
    ("told_of", "least_pct"),
    [
        (told, 1.409),
        (lambda by: told(by, after_h=4), 2.557),
        (lambda by: told(by, restless_pct=RESTLESS), 8.283),
        (lambda by: told(by, restless_pct=RESTLESS, kind=VOID), 7.047),
        (lambda by: told(by, vapour_pa=1200.0 + SPIKES, restless_pct=3.0 * QUIET, after_h=8), 2.915),
        (lambda by: told(by, vapour_pa=900.0), 7.348),  # drier than its room: water must lift it over that
        (in_weather, 0.912),
        (lambda by: follows_room(by, 8.0), 1.477),
        (lambda by: follows_room(by, 1.0), 1.820),
        (known_for_eight_days, 1.951),
        (after_a_gust, 15.69),
        (in_a_front, 6.756),
        (gives_off_as_it_warms, 1.423),
    ],
    ids=[
        "quiet", "quiet, soon", "restless", "restless void", "spikes", "drier than its room", "void in weather",
        "follows its room", "follows its room at once", "known for eight days", "after a gust", "in a front",
        "gives off as it warms",
    ],
)  # fmt: skip
def test_the_least_leak_that_is_told(told_of: Callable[[float], bool], least_pct: float) -> None:
    assert not told_of(0.95 * least_pct)
    assert told_of(1.05 * least_pct)


CLEAR_PCT = 12.0


@pytest.mark.parametrize(("known_h", "is_told"), [(152, False), (168, True)])
def test_a_place_is_judged_once_a_fit_and_a_record_of_three_days_each_are_known(known_h: int, is_told: bool) -> None:
    """And half a day between each of them and the hour judged."""
    assert told(CLEAR_PCT, unknown=((0, LEAK_H - known_h),), after_h=8, looked_h=8) is is_told


@pytest.mark.parametrize(("silent_h", "is_told"), [(9, True), (11, False)])
def test_air_that_is_not_heard_stands_for_six_hours(silent_h: int, is_told: bool) -> None:
    """A leak of a day before, told now: the mean of six hours, of which half must be known, is out of what stood."""
    inside = blanked(room(), LEAK_H + 12 - silent_h, None)
    assert told(CLEAR_PCT, inside=inside, after_h=12, looked_h=1, leak_h=LEAK_H - 24) is is_told


@pytest.mark.parametrize(("known_h", "is_told"), [(11, False), (13, True)])
def test_the_level_before_needs_a_quarter_of_two_days(known_h: int, is_told: bool) -> None:
    unknown = ((LEAK_H - 120, LEAK_H - 24 - known_h), (LEAK_H - 24, LEAK_H - 1))
    assert told(CLEAR_PCT, unknown=unknown, after_h=6, looked_h=6) is is_told
