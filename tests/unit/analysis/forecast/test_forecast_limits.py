"""How far below its present level a goal may lie to be promised so soon: a twentieth nearer, and a twentieth further.

The courses are first-order or straight, in made-up airs; what is promised of them follows from priors and limits that
are our choice (`forecast/parameters.py`). That dates are right is held against closed forms beside this.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from analysis_series import (
    CAVITY,
    OUTDOOR,
    ROOM,
    START_S,
    VOID,
    hours,
    location,
    noise,
    references_until,
    track_at,
    until,
)

from monitord.analysis.drying.metric import build_metric
from monitord.analysis.drying.progress import progress
from monitord.analysis.forecast.forecast import time_to_goal, to_forecast
from monitord.analysis.forecast.parameters import FORECAST
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries, TimberSpot
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal, LocationKind
from monitord.model.series import Array

OPTIONS = AnalysisOptions()
DAY_S = 86_400.0
DAYS = 40.0
H = hours(DAYS)
N = len(H)
DAY = H / 24.0


def wandering(sd: float, tau_h: float, seed: int) -> Array:
    """Noise that is remembered for so many hours."""
    keep = np.exp(-1.0 / tau_h)
    step, level, out = noise(N, sd * np.sqrt(1.0 - keep**2), seed), 0.0, np.empty(N)
    for k in range(N):
        level = keep * level + step[k]
        out[k] = level
    return out


WEATHER = wandering(70.0, 40.0, 7)


def lagged(value: Array, tau_h: float, start: float) -> Array:
    level, out = start, np.empty(N)
    for k in range(N):
        level += (value[k] - level) * (1.0 - np.exp(-1.0 / tau_h))
        out[k] = level
    return out


def place(
    *,
    kind: LocationKind = CAVITY,
    tau_d: float = 6.0,
    start_pa: float = 600.0,
    inside_pa: Array | float = 1000.0,
    outside_pa: Array | float | None = None,
    share: float = 0.0,
    source_pa: float = 0.0,
    a_day_pa: float | None = None,
    spots: tuple[TimberSpot, ...] = (),
) -> tuple[HourlySeries, ReferenceSeries]:
    """A cavity or void at 17 °C that began so much over what its room, and a share of the outdoor air, would bring."""
    inside = np.broadcast_to(np.asarray(inside_pa, dtype=float), (N,))
    outside = None if outside_pa is None else np.broadcast_to(np.asarray(outside_pa, dtype=float), (N,))
    air = inside if outside is None else (1.0 - share) * inside + share * outside
    if a_day_pa is None:
        vapour = lagged(air + source_pa, 24.0 * tau_d, float(air[0]) + source_pa + start_pa)
    else:
        vapour = air + np.maximum(start_pa - a_day_pa * DAY, 0.0)
    reference = {"reference": "room_air"} if kind is CAVITY else {}
    series = replace(track_at(location(kind, **reference), 17.0, vapour + noise(N, 6.0, 2), DAYS), spots=spots)
    room = track_at(location(ROOM), 19.0, inside + noise(N, 4.0, 1), DAYS)
    outdoor = None if outside is None else track_at(location(OUTDOOR), 6.0, outside + noise(N, 8.0, 3), DAYS)
    return series, ReferenceSeries(room, room, outdoor)


def level(series: HourlySeries, references: ReferenceSeries, metric: str, hour: int) -> float:
    """Mean of the last day; timber is counted from 25 %."""
    if metric == "timber_mc_pct":
        return 25.0
    values = series.relative_humidity_pct
    if metric == "vp_excess_pa":
        assert references.room is not None
        values = series.vapour_pressure_pa - references.room.vapour_pressure_pa
    return float(values[hour - 24 : hour].mean())


def promised(of: tuple[HourlySeries, ReferenceSeries], metric: str, day: float, below: float) -> dict[str, float]:
    """Low, middle and high in days, and the chances of `never`, `held` and `no_progress`, for a goal so far below."""
    series, references = of
    hour = round(24 * day)
    limit = level(series, references, metric, hour) - below
    past, airs = until(series, hour), references_until(references, hour)
    goal = Goal.model_validate({"metric": metric, "limit": limit, "window_h": 24.0})
    built = build_metric(past, airs, goal, OPTIONS)
    assert built is not None
    view = time_to_goal(past, built, OPTIONS)
    assert view is not None
    made_s = START_S + day * DAY_S
    forecast = to_forecast(view, built, made_s, progress(past, built))
    days: dict[str, Any] = {"low": forecast.low, "middle": forecast.middle, "high": forecast.high}
    said = {name: np.inf if at is None else (at.timestamp() - made_s) / DAY_S for name, at in days.items()}
    return said | {"never": view.never, "held": view.held_by_air, "no_progress": view.no_progress}


STEADY = place()
IN_DRYING_AIR = place(inside_pa=1000.0 - 12.0 * DAY)
IN_WEATHER = place(inside_pa=1000.0 + WEATHER)
OPEN_TO_OUTDOORS = place(outside_pa=700.0 + WEATHER, share=0.3)
OPEN_VOID = place(kind=VOID, outside_pa=650.0 + WEATHER, share=0.6, tau_d=10.0)
CLOSED_VOID = place(kind=VOID, tau_d=10.0, start_pa=400.0)
WITH_A_SOURCE = place(source_pa=60.0, tau_d=5.0)
AFTER_DRY_DAYS = place(outside_pa=np.where((DAY > 8) & (DAY < 11), 500.0, 900.0) + 0.3 * WEATHER, share=0.4)
WET_TIMBER = place(kind=VOID, tau_d=1.0, start_pa=100.0, inside_pa=1400.0)


@pytest.mark.parametrize(
    ("of", "metric", "day", "asked", "over", "below"),
    [
        (STEADY, "rh_pct", 8.0, "high", 20.0, 5.283),
        (STEADY, "rh_pct", 3.0, "middle", 10.0, 30.92),
        (STEADY, "rh_pct", 30.0, "held", 0.5, 3.008),
        (IN_DRYING_AIR, "rh_pct", 25.0, "high", 20.0, 5.075),
        (IN_DRYING_AIR, "rh_pct", 3.0, "never", 0.5, 21.25),
        (IN_DRYING_AIR, "rh_pct", 8.0, "middle", 10.0, 16.53),
        (IN_WEATHER, "rh_pct", 25.0, "high", 20.0, 1.177),
        (IN_WEATHER, "vp_excess_pa", 3.0, "middle", 10.0, 447.8),
        (OPEN_TO_OUTDOORS, "rh_pct", 3.0, "high", 20.0, 11.55),
        (AFTER_DRY_DAYS, "rh_pct", 25.0, "never", 0.5, 6.87),
        (OPEN_VOID, "rh_pct", 4.0, "never", 0.5, 21.92),
        (CLOSED_VOID, "rh_pct", 4.0, "low", 8.0, 19.51),
        (WITH_A_SOURCE, "rh_pct", 25.0, "never", 0.5, 0.785),
        (WITH_A_SOURCE, "rh_pct", 3.0, "high", 20.0, 14.07),
        (WITH_A_SOURCE, "vp_excess_pa", 8.0, "never", 0.5, 172.6),
        (WET_TIMBER, "timber_mc_pct", 4.0, "high", 60.0, 5.924),
        (OPEN_VOID, "rh_pct", 20.0, "held", 0.5, 20.526),
    ],
)
def test_a_goal_a_twentieth_nearer_is_promised_and_one_further_is_not(
    of: tuple[HourlySeries, ReferenceSeries], metric: str, day: float, asked: str, over: float, below: float
) -> None:
    """Promised: a date no more days ahead than `over`, or no greater a chance of never, or of being held by the air."""
    assert promised(of, metric, day, 0.95 * below)[asked] < over
    assert promised(of, metric, day, 1.05 * below)[asked] >= over


@pytest.mark.parametrize(("days_ahead", "never"), [(300.0, False), (400.0, True)])
def test_a_goal_more_than_a_year_away_is_never_reached(days_ahead: float, never: bool) -> None:
    none = np.zeros(4, dtype=bool)
    view = TimeToGoal(np.full(4, days_ahead), np.full(4, 0.25), none, none)
    assert view.never == float(never)
    assert np.isinf(view.at(0.5)) == never


@pytest.mark.parametrize(("known_h", "told"), [(3, False), (5, True)])
def test_a_half_day_counts_with_four_known_hours(known_h: int, told: bool) -> None:
    series, references = place()
    unknown = known_h <= H % 12
    series.relative_humidity_pct[unknown] = np.nan
    series.vapour_pressure_pa[unknown] = np.nan
    goal = Goal.model_validate({"metric": "vp_excess_pa", "limit": 100.0, "window_h": 24.0})
    built = build_metric(series, references, goal, OPTIONS)
    assert built is not None
    assert (time_to_goal(series, built, OPTIONS) is not None) is told


def test_timber_is_dated_in_whole_days_within_the_first_fortnight() -> None:
    low = promised(WET_TIMBER, "timber_mc_pct", 4.0, 9.0)["low"]
    assert 8.0 <= low < 15.0
    assert low == round(low)


@pytest.mark.parametrize(("kind", "never"), [(CAVITY, False), (VOID, True)])
def test_what_lies_about_a_cavity_dries_and_the_ground_under_a_void_does_not(kind: LocationKind, never: bool) -> None:
    """The room's air would bring timber to about 12 %, the water beside it holds it at 17 %; the goal is 13.5 %."""
    of = place(kind=kind, tau_d=1.0, start_pa=0.0, inside_pa=1200.0, outside_pa=1200.0, share=0.5, source_pa=330.0)
    assert (promised(of, "timber_mc_pct", 25.0, 11.5)["never"] >= FORECAST.never_probability) is never
