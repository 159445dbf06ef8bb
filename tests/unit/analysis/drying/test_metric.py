"""The goal's metric: what is compared, where it would end in the air around it, and with what uncertainty."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from analysis_series import CAVITY, OUTDOOR, ROOM, SLEEVE, VOID, blanked, hours, location, noise, track

from monitord.analysis.drying.metric import Metric, build_metric, humidity_in_air
from monitord.analysis.drying.progress import goal_met, progress
from monitord.analysis.forecast.forecast import time_to_goal
from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries, is_sleeve
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import OVER_CONTROL, Goal, GoalMetric

OPTIONS = AnalysisOptions()
DAYS = 10.0
N = len(hours(DAYS))
psychrolib.SetUnitSystem(psychrolib.SI)

ROOM_AIR = track(location(ROOM), 20.0, 50.0, DAYS)
OUTDOOR_AIR = track(location(OUTDOOR), 5.0, 90.0, DAYS)


def goal(metric: str, limit: float = 70.0) -> Goal:
    control = "dry-wall" if GoalMetric(metric) in OVER_CONTROL else None
    return Goal.model_validate({"metric": metric, "limit": limit, "control": control})


def built(series: HourlySeries, references: ReferenceSeries, metric: str) -> Metric:
    found = build_metric(series, references, goal(metric), OPTIONS)
    assert found is not None
    return found


def end_over(metric: Metric, last_h: int = 72) -> float | None:
    """Mean end of the last hours; None where it is not known."""
    if metric.end is None or not np.isfinite(metric.end[-last_h:]).any():
        return None
    return float(np.nanmean(metric.end[-last_h:]))


def vapour_pa(t: float, rh: float) -> float:
    """Ideal-gas reference: ASHRAE equations as psychrolib has them."""
    return float(psychrolib.GetVapPresFromRelHum(t, rh / 100.0))


def test_a_vapour_excess_is_the_difference_of_the_two_vapour_pressures() -> None:
    """psychrolib 2.5: the ASHRAE equations; both sides rest on them, so only rounding differs."""
    series = track(location(CAVITY, reference="room_air"), 14.0, 88.0, DAYS)
    found = built(series, ReferenceSeries(ROOM_AIR, ROOM_AIR, OUTDOOR_AIR), "vp_excess_pa")
    assert found.value == pytest.approx(np.full(N, vapour_pa(14.0, 88.0) - vapour_pa(20.0, 50.0)), rel=1e-3)
    assert end_over(found) == 0.0  # in the air it is compared with, nothing would be left
    assert found.other_end == pytest.approx(np.full(N, vapour_pa(5.0, 90.0) - vapour_pa(20.0, 50.0)), rel=1e-3)
    assert found.unit == "Pa"


def test_its_uncertainty_is_that_of_both_probes() -> None:
    """JCGM 100: near 20 °C two probes with u(RH) 1 %, u(T) 0.15 K differ with u about 38 Pa."""
    uncertainty = Uncertainty(0.15, 1.0)
    series = track(location(CAVITY), 20.0, 62.0, DAYS, uncertainty)
    air = track(location(ROOM), 20.0, 60.0, DAYS, uncertainty)
    assert built(series, ReferenceSeries(air, air, None), "vp_excess_pa").u == pytest.approx(38.0, abs=1.5)


def test_the_end_of_a_humidity_is_the_airs_vapour_at_the_places_own_temperature() -> None:
    series = track(location(CAVITY), 12.0, 90.0, DAYS)
    expected = 100.0 * vapour_pa(20.0, 50.0) / vapour_pa(12.0, 100.0)
    found = built(series, ReferenceSeries(ROOM_AIR, ROOM_AIR, OUTDOOR_AIR), "rh_pct")
    assert end_over(found) == pytest.approx(expected, rel=1e-3)
    assert humidity_in_air(series, ROOM_AIR)[0] == pytest.approx(expected, rel=1e-3)
    assert found.value == pytest.approx(np.full(N, 90.0))
    assert found.u == series.uncertainty.relative_humidity_pct


@pytest.mark.parametrize(("t", "rh", "published"), [(21.1, 65.0, 12.0), (21.1, 80.0, 16.0), (10.0, 85.0, 18.4)])
def test_the_end_of_timber_is_the_wood_handbooks(t: float, rh: float, published: float) -> None:
    """Wood Handbook, Table 4-2 (50 °F and 70 °F); eq. 4-5 keeps within 0.06 %MC of it."""
    air = track(location(ROOM), t, rh, DAYS)
    series = track(location(VOID), t, 90.0 + noise(N, 0.1), DAYS)
    assert end_over(built(series, ReferenceSeries(air, air, None), "timber_mc_pct")) == pytest.approx(
        published, abs=0.06
    )


def test_what_is_estimated_of_timber_carries_its_range_as_uncertainty() -> None:
    """From the air's value to fibre saturation is a range: a rectangle, whose standard deviation is its width/√12."""
    series = track(location(VOID), 21.1, 65.0 + noise(N, 0.1), DAYS)
    found = built(series, ReferenceSeries(ROOM_AIR, ROOM_AIR, None), "timber_mc_pct")
    assert found.timber is not None
    left = 18.0 * np.exp(-DAYS / OPTIONS.timber_lag_days)
    assert found.u == pytest.approx(np.hypot(left / np.sqrt(12.0), OPTIONS.timber_species_u_pct), rel=0.02)
    # at its goal only once slow timber is, from fibre saturation on: 1.5 exp(0.84 * 0.8) times as slow
    slow = 12.0 + 18.0 * np.exp(-DAYS / (1.5 * np.exp(0.84 * 0.8) * OPTIONS.timber_lag_days))
    assert found.high[-1] == pytest.approx(slow, abs=0.1)
    # what is shown lies anywhere between the driest and the wettest that it may be
    assert found.value[-1] == pytest.approx(0.5 * (12.0 + slow), abs=0.1)
    u_shown = np.hypot((slow - 12.0) / np.sqrt(12.0), OPTIONS.timber_species_u_pct)
    assert found.u_value == pytest.approx(u_shown, rel=0.02)


@pytest.mark.parametrize("metric", list(GoalMetric))
def test_without_any_air_the_end_is_not_known_and_not_guessed(metric: GoalMetric) -> None:
    series = track(location(CAVITY), 15.0, 80.0 + noise(N, 0.1), DAYS)
    found = build_metric(series, ReferenceSeries(None, None, None), goal(metric.value), OPTIONS)
    if metric is GoalMetric.VAPOUR_PRESSURE_EXCESS or metric in OVER_CONTROL:
        assert found is None  # nothing to compare with
    else:
        assert found is not None
        assert (found.end, end_over(found)) == (None, None)


def test_the_outdoor_air_is_no_second_air_where_it_is_the_reference_itself() -> None:
    series = track(location(VOID), 10.0, 80.0, DAYS)
    assert built(series, ReferenceSeries(OUTDOOR_AIR, ROOM_AIR, OUTDOOR_AIR), "rh_pct").other_end is None
    assert built(series, ReferenceSeries(ROOM_AIR, ROOM_AIR, OUTDOOR_AIR), "rh_pct").other_end is not None


def test_hours_that_were_not_heard_stay_unknown() -> None:
    series, air = track(location(CAVITY), 15.0, 80.0, DAYS), blanked(ROOM_AIR, 50, 60)
    found = built(series, ReferenceSeries(air, air, None), "vp_excess_pa")
    assert np.isnan(found.value[50:60]).all()
    assert np.isfinite(found.value[:50]).all()
    assert end_over(built(series, ReferenceSeries(blanked(ROOM_AIR, 0), None, None), "rh_pct")) is None


def test_only_the_last_hours_count_where_only_they_are_asked_for() -> None:
    references = ReferenceSeries(ROOM_AIR, None, OUTDOOR_AIR).last(36)
    assert references.air is not None
    assert len(references.air) == 36
    assert references.air.end_s == ROOM_AIR.end_s
    assert references.room is None


def test_a_sleeve_is_told_from_other_places() -> None:
    assert is_sleeve(track(location(SLEEVE), 18.0, 90.0, 1.0))
    assert not is_sleeve(track(location(CAVITY), 18.0, 90.0, 1.0))


# -- a control reading ---------------------------------------------------------------------------------------------


def test_a_distance_from_the_control_is_the_difference_of_what_both_read() -> None:
    series, dry = track(location(CAVITY), 15.0, 82.0, DAYS), track(location(CAVITY), 15.0, 61.0, DAYS)
    found = built(series, ReferenceSeries(ROOM_AIR, ROOM_AIR, None, dry), "rh_over_control_pct")
    assert found.value == pytest.approx(np.full(N, 21.0))
    assert found.u == pytest.approx(
        np.hypot(series.uncertainty.relative_humidity_pct, dry.uncertainty.relative_humidity_pct)
    )
    assert found.unit == "% RH"
    at_location = 100.0 * vapour_pa(20.0, 50.0) / vapour_pa(15.0, 100.0)
    assert end_over(found) == pytest.approx(at_location - 61.0, rel=1e-3)


@pytest.mark.parametrize(("rh", "published"), [(65.0, 12.0), (80.0, 16.0)])
def test_a_control_of_timber_is_timber_by_its_own_air(rh: float, published: float) -> None:
    """Wood Handbook, Table 4-2 at 21.1 °C; what follows the air is held against the control's level plus the limit."""
    long = 240.0
    series, dry = track(location(VOID), 21.1, 90.0, long), track(location(VOID), 21.1, rh, long)
    found = built(series, ReferenceSeries(None, None, None, dry), "timber_over_control_pct")
    assert found.followed is not None
    assert found.followed.goal.limit - 70.0 == pytest.approx(published, abs=0.1)
    assert found.value[-1] == pytest.approx(found.followed.value[-1] - published, abs=0.1)


def test_a_control_that_nobody_measured_did_not_begin_soaked() -> None:
    """Wood Handbook, Table 4-2 at 21.1 °C: 12.0 % at 65 % RH from the first day on, so the distance falls as fast."""
    series, dry = track(location(VOID), 21.1, 80.0, DAYS), track(location(VOID), 21.1, 65.0, DAYS)
    alone = built(series, ReferenceSeries(None, None, None), "timber_mc_pct")
    over = built(series, ReferenceSeries(None, None, None, dry), "timber_over_control_pct")
    assert over.value == pytest.approx(alone.value - 12.0, abs=0.1)
    assert over.high == pytest.approx(alone.high - 12.0, abs=0.1)
    assert progress(series, over).rate == pytest.approx(progress(series, alone).rate, rel=1e-3)
    drier = track(location(VOID), 21.1, np.linspace(65.0, 35.0, N), DAYS)
    falling = built(series, ReferenceSeries(None, None, None, drier), "timber_over_control_pct")
    assert progress(series, falling).rate > progress(series, over).rate + 0.05, "the control falls as well"


def test_a_goal_over_a_control_is_judged_and_dated_like_the_same_goal_alone() -> None:
    """A constant control at 60 %: within 5 % of it is the same as 65 % alone, but for the control's uncertainty."""
    days = 20.0
    h = np.arange(24 * int(days))
    series = track(location(CAVITY), 16.0, 55.0 + 35.0 * np.exp(-h / 24.0 / 20.0) + noise(len(h), 0.2, 4), days)
    air = track(location(ROOM), 16.0, 55.0, days)
    dry = track(location(CAVITY), 16.0, 60.0, days)
    alone = build_metric(series, ReferenceSeries(air, air, None), goal("rh_pct", 65.0), OPTIONS)
    over = build_metric(series, ReferenceSeries(air, air, None, dry), goal("rh_over_control_pct", 5.0), OPTIONS)
    assert alone is not None
    assert over is not None
    views = [time_to_goal(series, one, OPTIONS) for one in (alone, over)]
    assert views[0] is not None
    assert views[1] is not None
    assert views[1].at(0.5) == pytest.approx(views[0].at(0.5), rel=0.15)
    assert not goal_met(over, OPTIONS)[0]
    dried = track(location(CAVITY), 16.0, np.where(h < 48, 90.0, 60.0), days)
    done = build_metric(dried, ReferenceSeries(air, air, None, dry), goal("rh_over_control_pct", 5.0), OPTIONS)
    assert done is not None
    assert goal_met(done, OPTIONS)[0]
