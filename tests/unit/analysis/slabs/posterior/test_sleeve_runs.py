"""The march of a sleeve: the same days, the same verdict, whatever is kept between; and what it finds of a known slab.

The slab is Bažant and Najjar's equation (1972) solved by scipy's stiff integrator on a grid of the test's own.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from analysis_series import ROOM, SLEEVE, START_S, location, noise, references_until, track, until
from scipy.integrate import solve_ivp

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.slabs.posterior import checkpoint
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.queries.stall import StallCause
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays, sleeve_days
from monitord.analysis.slabs.posterior.sleeve_runs import Budget, SleeveRun, SleeveRuns, slab_of
from monitord.analysis.slabs.posterior.verdict import SleeveGoal, SleeveVerdict
from monitord.model.series import Array

DAYS = 34.0
N = round(24 * DAYS)
SLAB = {"depth_mm": 30.0, "slab_thickness_mm": 80.0}


def relative_diffusivity(h: Array) -> Array:
    """With the constants of the CEB-FIP Model Code 1990."""
    return np.asarray(0.05 + 0.95 / (1.0 + ((1.0 - np.clip(h, 0.0, 0.9999)) / 0.2) ** 15))


@lru_cache(maxsize=8)
def humidity_at(start: float, face: float, days: float, supply: float = 0.0, d_m2_s: float = 5e-10) -> Array:
    """Humidity at 30 mm of 80 mm by the hour: one face held at `face`, the other sealed or supplied. [%]"""
    cells = 60
    dx = 0.08 / cells

    def change(_: float, h: Array) -> Array:
        flux = d_m2_s * relative_diffusivity(0.5 * (h[1:] + h[:-1])) * (h[1:] - h[:-1]) / dx
        at_face = d_m2_s * relative_diffusivity(np.array([0.5 * (h[0] + face)]))[0] * (h[0] - face) / (0.5 * dx)
        return np.asarray((np.r_[flux, supply * (1.0 - h[-1])] - np.r_[at_face, flux]) / dx)

    at = np.arange(round(24 * days)) * 3600.0
    found = solve_ivp(
        change, (0.0, at[-1]), np.full(cells, start), method="LSODA", t_eval=at, rtol=1e-6, atol=1e-9, lband=1, uband=1
    )
    centres = (np.arange(cells) + 0.5) * dx
    return np.array([100.0 * np.interp(0.03, centres, row) for row in found.y.T])


def sleeve(rh: Array, seed: int = 4) -> HourlySeries:
    return track(location(SLEEVE, **SLAB), 20.0, rh[:N] + noise(len(rh[:N]), 0.05, seed), len(rh[:N]) / 24.0)


def room(rh: Array | float) -> ReferenceSeries:
    inside = track(location(ROOM), 20.0, rh, DAYS)
    return ReferenceSeries(inside, inside, None)


def goal(limit: float) -> SleeveGoal:
    return SleeveGoal(limit, 24.0, 0.1, 0.8, 0.5)


@lru_cache(maxsize=1)
def drying() -> SleeveDays:
    days = sleeve_days(sleeve(humidity_at(0.97, 0.45, 200.0)), room(45.0), START_S)
    assert days is not None
    return days


@lru_cache(maxsize=1)
def at_once() -> SleeveVerdict:
    """What is held of it in the end, marched with nothing kept."""
    verdict, _ = SleeveRun().verdict(slab_of(location(SLEEVE, **SLAB)), drying(), goal(82.0), Budget())
    assert verdict is not None
    return verdict


def seen(series: HourlySeries, references: ReferenceSeries, limit: float) -> SleeveVerdict:
    verdict, done = SleeveRuns().verdict(series, references, START_S, goal(limit), Budget())
    assert done
    assert verdict is not None
    return verdict


def test_a_sleeve_in_drying_concrete_is_dated_about_its_interval() -> None:
    course = humidity_at(0.97, 0.45, 200.0)
    truth = START_S / 86_400.0 + float(np.flatnonzero(course <= 82.0)[0]) / 24.0 + 0.5
    for day in (18, 26):
        found = seen(until(sleeve(course), 24 * day), references_until(room(45.0), 24 * day), 82.0)
        assert found.date is not None
        left = truth - found.as_of_s / 86_400.0
        assert left > 5.0
        # this law slows down more than most that the priors allow, so it is dated early, and never by half
        assert found.date.low_d < left <= 1.25 * found.date.high_d
        assert found.date.middle_d == pytest.approx(left, rel=0.45)
        assert (found.never, found.stall.active, found.at_goal) == (False, False, False)
        assert found.level.now_pct == pytest.approx(course[24 * day], abs=1.0)
        assert found.level.u_now_pct == pytest.approx(0.6, abs=0.25)  # the probe's offset, little else


def test_a_slab_under_air_wetter_than_its_goal_is_never_there_and_stalls_with_its_end() -> None:
    rh = 89.0 + 7.0 * np.exp(-np.arange(N) / 24.0 / 5.0)
    found = seen(sleeve(rh), room(89.0), 80.0)
    assert found.never
    assert found.stall.active
    assert found.stall.cause in (StallCause.END_OVER_LIMIT, StallCause.FED_FROM_BELOW)
    assert found.stall.end_pct == pytest.approx(89.0, abs=2.0)
    assert not found.at_goal


def test_a_sleeve_well_under_its_goal_is_there_since_a_day_and_nothing_else() -> None:
    found = seen(sleeve(humidity_at(0.97, 0.45, 200.0)), room(45.0), 97.5)
    assert found.at_goal
    assert found.at_goal_since_s is not None
    assert found.at_goal_since_s < found.as_of_s
    assert (found.never, found.stall.active, found.date, found.never_probability) == (False, False, None, 0.0)


def test_no_stall_is_told_within_five_days_of_sealing() -> None:
    rh = np.full(N, 92.0)
    early = seen(until(sleeve(rh), 24 * 5 - 1), references_until(room(92.0), 24 * 5 - 1), 80.0)
    assert not early.stall.active
    assert early.stall.probability > 0.8
    assert seen(until(sleeve(rh), 24 * 9), references_until(room(92.0), 24 * 9), 80.0).stall.active


def test_day_by_day_and_at_once_the_verdict_is_the_same() -> None:
    days, slab = drying(), slab_of(location(SLEEVE, **SLAB))
    kept = SleeveRun()
    for count in range(1, len(days) + 1):
        by_day, done = kept.verdict(slab, days.until(count), goal(82.0), Budget())
        assert done
    assert by_day == at_once()
    assert kept.verdict(slab, days, goal(82.0), Budget(0)) == (at_once(), True)  # nothing was left to march


def test_a_late_reading_throws_the_march_back_and_no_further() -> None:
    days, slab = drying(), slab_of(location(SLEEVE, **SLAB))
    late = days.reading_pct.copy()
    late[-3] += 0.4
    changed = replace(days, reading_pct=late)
    kept = SleeveRun()
    before, _ = kept.verdict(slab, days, goal(82.0), Budget())
    budget = Budget(100)
    after, _ = kept.verdict(slab, changed, goal(82.0), budget)
    assert after == SleeveRun().verdict(slab, changed, goal(82.0), Budget())[0]
    assert after != before
    assert budget.days is not None
    assert 100 - budget.days <= 4


def rewetted(days: SleeveDays) -> SleeveDays:
    """The same with water on day 16, and a day without readings."""
    rise = np.where(np.arange(len(days)) >= 16, 4.0 * np.exp((16.0 - np.arange(len(days))) / 20.0), 0.0)
    reading = days.reading_pct + rise
    reading[9] = np.nan
    return replace(days, reading_pct=reading)


@pytest.mark.parametrize("water", [False, True])
def test_from_a_stored_checkpoint_the_verdicts_go_on_as_if_it_had_been_marched(water: bool) -> None:
    days, slab = rewetted(drying()) if water else drying(), slab_of(location(SLEEVE, **SLAB))
    whole, stored = SleeveRun(), {}
    for count in range(1, len(days) + 1):
        verdict, _ = whole.verdict(slab, days.until(count), goal(82.0), Budget())
        if (found := whole.take_unstored()) is not None:
            stored[count] = found
    assert whole.take_unstored() is None
    assert max(stored) > len(days) - POSTERIOR.checkpoint_days
    assert max(len(one.content) for one in stored.values()) < 100_000  # however many days it has behind it
    after_water = [count for count in stored if count > 18]
    for count in (min(stored), min(after_water)):
        resumed, budget = SleeveRun([stored[min(stored)], stored[count]]), Budget(100)
        assert resumed.verdict(slab, days, goal(82.0), budget) == (verdict, True)  # to the last bit
        assert budget.days == 100 - 1 - max(len(days) - count - POSTERIOR.unbudgeted_days, 0)


def test_a_checkpoint_that_rests_on_anything_else_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    days, slab = drying().until(8), slab_of(location(SLEEVE, **SLAB))
    run = SleeveRun()
    verdict, _ = run.verdict(slab, days, goal(82.0), Budget())
    found = run.take_unstored()
    assert found is not None
    assert SleeveRun([found]).verdict(slab, days, goal(82.0), Budget(1)) == (verdict, True)
    late = days.reading_pct.copy()
    late[2] += 0.4
    slabs = {
        "thickness": slab_of(location(SLEEVE, depth_mm=30.0, slab_thickness_mm=81.0)),
        "two faces": slab_of(location(SLEEVE, drying_sides=2, **SLAB)),
        "location": slab_of(location(SLEEVE, id="other", **SLAB)),
    }
    cases = [(one, days, goal(82.0)) for one in slabs.values()]
    cases += [(slab, days, goal(83.0)), (slab, replace(days, reading_pct=late), goal(82.0))]
    for case in cases:
        assert SleeveRun([found]).verdict(*case, Budget(1)) == (None, False)
    monkeypatch.setattr(checkpoint, "_program", lambda: b"of another version")
    assert SleeveRun([found]).verdict(slab, days, goal(82.0), Budget(1)) == (None, False)


def test_a_budget_spreads_the_march_over_rounds_and_changes_nothing() -> None:
    days, slab = drying(), slab_of(location(SLEEVE, **SLAB))
    kept, rounds = SleeveRun(), 0
    while True:
        verdict, done = kept.verdict(slab, days, goal(82.0), Budget(10))
        rounds += 1
        if done:
            break
        assert verdict is None
    assert rounds == -(-(len(days) - 2) // 10)  # the newest two days are free
    assert verdict == at_once()


def test_a_course_outlives_a_changed_job_but_not_another_slab_or_goal() -> None:
    series, airs = sleeve(humidity_at(0.97, 0.45, 200.0)), room(45.0)
    kept = SleeveRuns()
    first = kept.verdict(series, airs, START_S, goal(82.0), Budget())
    assert kept.verdict(series, airs, START_S, goal(82.0), Budget(0)) == first
    assert kept.verdict(series, airs, START_S, goal(83.0), Budget(0)) == (None, False)
    thicker = replace(series, location=location(SLEEVE, depth_mm=30.0, slab_thickness_mm=120.0))
    assert kept.verdict(thicker, airs, START_S, goal(83.0), Budget(0)) == (None, False)


def test_another_sleeve_has_draws_of_its_own() -> None:
    days = drying()
    one = at_once()
    other, _ = SleeveRun().verdict(slab_of(location(SLEEVE, id="other", **SLAB)), days, goal(82.0), Budget())
    assert other is not None
    assert one != other
    assert one.level.now_pct == pytest.approx(other.level.now_pct, abs=one.level.u_now_pct + other.level.u_now_pct)
    assert one.level.rate_pct_day == pytest.approx(other.level.rate_pct_day, rel=0.3)


def test_a_slab_that_dries_by_both_faces_is_never_fed() -> None:
    assert slab_of(location(SLEEVE, drying_sides=2)).p_fed == 0.0
    assert slab_of(location(SLEEVE)).p_fed == 0.35
