"""The least loss of a room's drying potential that is told: a twentieth less is not, a twentieth more is.

The records are made up; what is told of them follows from values that are our choice (`wetting/parameters.py`).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from analysis_series import OUTDOOR, ROOM, blanked, daily, hours, location, noise, track_at, until

from monitord.analysis.wetting.drying_potential import find_lost_potential
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure

DAYS = 30.0
H = hours(DAYS)
N = len(H)
LOSS_H = 27 * 24
SATURATION_PA = float(saturation_vapour_pressure(20.0))


def wandering(sd: float, tau_h: float, seed: int) -> Array:
    """Noise that is remembered for so many hours."""
    keep = np.exp(-1.0 / tau_h)
    step, level, out = noise(N, sd * np.sqrt(1.0 - keep**2), seed), 0.0, np.empty(N)
    for k in range(N):
        level = keep * level + step[k]
        out[k] = level
    return out


def since(hour: float, tau_h: float) -> Array:
    """From 0 to 1 since an hour."""
    return np.asarray(1.0 - np.exp(-np.clip(H - hour, 0.0, None) / tau_h))


USUAL = noise(N, 12.0, 9)
RESTLESS = wandering(80.0, 8.0, 9)
RESTLESS_BEFORE = wandering(60.0, 8.0, 9) * np.where(LOSS_H - 150 > H, 4.0, 1.0)
STEAM = np.zeros(N)
STEAM[np.random.default_rng(3).choice(N, N // 10, replace=False)] = 250.0


def told(
    by_pa: float,
    *,
    before_pa: Array | float = 950.0,
    restless_pa: Array = USUAL,
    warmer_k: Array | float = 0.0,
    outside_pa: Array | float = 600.0,
    dried: bool = True,
    lasts_h: int = N,
    after_h: int = 20,
    unknown: tuple[int, int] | None = None,
) -> bool:
    """Whether a loss stands some hours after a room's vapour began to lie so much higher."""
    vapour = before_pa + by_pa * ((LOSS_H <= H) & (LOSS_H + lasts_h > H)) + restless_pa
    room = track_at(location(ROOM), 20.0 + 0.3 * daily(H) + warmer_k, vapour, DAYS)
    outside = outside_pa + 1400.0 * dried  # far over the room's vapour where something dries it
    outdoor = track_at(location(OUTDOOR), 20.0, outside + noise(N, 8.0, 10), DAYS)
    room = room if unknown is None else blanked(room, *unknown)
    end = LOSS_H + after_h
    return find_lost_potential(until(room, end), until(outdoor, end)) is not None


def humid(by_pa: float) -> bool:
    """At 78 % RH a fifth of the potential is less than 5 % RH."""
    return told(by_pa, before_pa=0.78 * SATURATION_PA)


def drier_yesterday(by_pa: float) -> bool:
    """A room that was drier by 100 Pa for half a day comes back: that much was to be expected."""
    before = 0.74 * SATURATION_PA - 100.0 * ((LOSS_H - 30 <= H) & (LOSS_H - 16 > H))
    return told(by_pa, before_pa=before, after_h=9)


def in_a_front(by_pa: float) -> bool:
    """A front that the room follows by a fifth."""
    front = 350.0 * since(LOSS_H - 3, 3.0)
    return told(by_pa, before_pa=0.78 * SATURATION_PA + 0.2 * front, outside_pa=600.0 + front, after_h=12)


@pytest.mark.parametrize(
    ("told_of", "least_pa"),
    [
        (told, 202.0),
        (lambda by: told(by, restless_pa=RESTLESS), 305.4),
        (lambda by: told(by, restless_pa=RESTLESS, dried=False), 466.6),
        (lambda by: told(by, restless_pa=RESTLESS_BEFORE), 500.0),
        (lambda by: told(by, restless_pa=USUAL / 0.6 + STEAM), 207.8),
        (humid, 86.36),
        (drier_yesterday, 98.1),
        (in_a_front, 55.04),
    ],
    ids=[
        "quiet",
        "restless",
        "restless and not dried",
        "restless before",
        "steam",
        "humid",
        "drier yesterday",
        "in a front",
    ],
)
def test_the_least_loss_that_is_told(told_of: Callable[[float], bool], least_pa: float) -> None:
    assert not told_of(0.95 * least_pa)
    assert told_of(1.05 * least_pa)


@pytest.mark.parametrize(("colder_k", "is_told"), [(5.9, False), (6.7, True)])
def test_where_heating_fails_half_the_lowest_of_five_days_is_lost(colder_k: float, is_told: bool) -> None:
    """Dry as the room's air is: nothing has come."""
    assert told(1.0, warmer_k=-colder_k * since(LOSS_H, 6.0), after_h=40) is is_told


@pytest.mark.parametrize(("colder_k", "is_told"), [(6.8, False), (7.6, True)])
def test_half_a_cold_day_before_sets_what_is_lowest(colder_k: float, is_told: bool) -> None:
    """Ten hours, three kelvin colder, four days before."""
    before = 3.0 * ((LOSS_H - 100 < H) & (LOSS_H - 90 > H))
    assert told(1.0, warmer_k=-before - colder_k * since(LOSS_H, 6.0), after_h=40) is is_told


@pytest.mark.parametrize(("later_h", "is_told"), [(40, True), (46, False)])
def test_what_came_counts_for_a_day(later_h: int, is_told: bool) -> None:
    """Vapour that came takes too little away by itself; the room cools later by three kelvin."""
    colder = -3.0 * since(LOSS_H + later_h, 3.0)
    assert told(180.0, before_pa=600.0, warmer_k=colder, after_h=100) is is_told


@pytest.mark.parametrize(("back_h", "is_told"), [(5, True), (7, False)])
def test_it_is_over_once_the_potential_was_back_for_six_hours(back_h: int, is_told: bool) -> None:
    assert told(500.0, lasts_h=30, after_h=30 + back_h) is is_told


@pytest.mark.parametrize(("gap_h", "is_told"), [(3, True), (5, False)])
def test_three_quarters_of_the_hours_on_end_must_be_known(gap_h: int, is_told: bool) -> None:
    assert told(500.0, after_h=12, unknown=(LOSS_H + 4, LOSS_H + 4 + gap_h)) is is_told
