"""What a goal's metric and its progress do just below and just above each of their limits (our choice)."""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import CAVITY, ROOM, SLEEVE, VOID, location, track

from monitord.analysis.drying.metric import Metric, build_metric
from monitord.analysis.drying.progress import cleaned, goal_met, progress
from monitord.analysis.series.hourly_series import ReferenceSeries
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal, LocationKind
from monitord.physics.wood import equilibrium_moisture_content

OPTIONS = AnalysisOptions()
DAYS = 14.0
N = 24 * 14


def goal(metric: str = "rh_pct", limit: float = 70.0, **more: object) -> Goal:
    return Goal.model_validate({"metric": metric, "limit": limit, **more})


def built(metric: str, references: ReferenceSeries, here_c: float = 20.0, **more: object) -> Metric:
    found = build_metric(track(location(VOID), here_c, 85.0, DAYS), references, goal(metric, **more), OPTIONS)
    assert found is not None
    return found


@pytest.mark.parametrize(("t", "as_at"), [(45.0, 45.0), (60.0, 50.0)])
def test_timber_in_hot_air_comes_to_what_it_would_at_50_degrees(t: float, as_at: float) -> None:
    air = track(location(ROOM), t, 60.0, DAYS)
    found = built("timber_mc_pct", ReferenceSeries(air, air, None), here_c=t)
    assert found.end is not None
    assert found.end[-1] == pytest.approx(equilibrium_moisture_content(as_at, 60.0), rel=1e-3)


@pytest.mark.parametrize(("rh", "as_at"), [(97.0, 97.0), (99.5, 98.0), (0.5, 1.0), (1.5, 1.5)])
def test_timber_near_saturation_or_in_the_driest_air_is_held_to_what_the_equation_is_good_for(
    rh: float, as_at: float
) -> None:
    air = track(location(ROOM), 20.0, rh, DAYS)
    found = built("timber_mc_pct", ReferenceSeries(air, air, None))
    assert found.end is not None
    assert found.end[-1] == pytest.approx(equilibrium_moisture_content(20.0, as_at), rel=1e-4)


def test_the_level_of_the_control_is_that_of_its_last_three_days() -> None:
    """Two days ago the control rose by 9 % RH: two thirds of that stand in the mean of three days."""
    control = track(location(CAVITY), 20.0, np.r_[np.full(N - 48, 50.0), np.full(48, 59.0)], DAYS)
    found = built("rh_over_control_pct", ReferenceSeries(None, None, None, control), limit=5.0, control="dry-wall")
    assert found.followed is not None
    assert found.followed.goal.limit == pytest.approx(5.0 + 56.0)


@pytest.mark.parametrize(("kind", "days"), [(SLEEVE, 8), (CAVITY, 5)])
def test_a_rate_rests_on_a_week_of_a_sleeve_and_on_five_days_elsewhere(kind: LocationKind, days: int) -> None:
    """A fall that ended that long ago is no longer in it; one that ended two days later is."""
    for ended, gone in ((days, True), (days - 2, False)):
        rh = 90.0 - 0.5 * np.minimum(np.arange(N) / 24.0, 14 - ended)
        series = track(location(kind), 18.0, rh, DAYS)
        metric = build_metric(series, ReferenceSeries(None, None, None), goal(), OPTIONS)
        assert metric is not None
        found = progress(series, metric)
        assert found.days == days
        assert (abs(found.rate) < 1e-6) is gone


def test_a_sleeve_feels_a_warm_hour_as_a_third_of_it() -> None:
    """Concrete follows its air late: its temperature is the mean of three hours."""
    effect = []
    for warm_h in (1, 12):
        t = np.full(N, 18.0)
        t[-warm_h:] += 3.0
        series = track(location(SLEEVE), t, 85.0, DAYS)
        metric = build_metric(series, ReferenceSeries(None, None, None), goal(), OPTIONS)
        assert metric is not None
        value = cleaned(series, metric)
        effect.append(value[-1] - value[-20])
    assert effect[0] / effect[1] == pytest.approx(1 / 3, abs=0.03)


@pytest.mark.parametrize(("known", "met"), [(14, False), (15, True)])
def test_a_goal_is_met_on_three_fifths_of_its_window(known: int, met: bool) -> None:
    value = np.full(24 * 3, np.nan)
    value[0] = value[-known:] = 50.0
    wanted = goal(window_h=24.0)
    assert goal_met(Metric(wanted, value, 0.5, None, None, value, None), OPTIONS)[0] is met
