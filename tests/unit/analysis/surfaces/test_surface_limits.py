"""What the judgement of surfaces does just below and just above each of its limits (our choice)."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pytest
from damage_support import START, job_of, location, newest, surface_of_readings, surface_risk, track

from monitord.analysis.surfaces.derived import Derived, derived_series, wet_bulbs
from monitord.analysis.surfaces.frost_and_heat import frost_and_heat
from monitord.analysis.surfaces.mould_risk import material_of, mould_risk
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import MouldRisk
from monitord.model.jobs import Placement
from monitord.model.series import Array
from monitord.physics.moist_air import dew_or_frost_point, vapour_pressure
from monitord.physics.surfaces import surface_relative_humidity

OPTIONS = AnalysisOptions()
PANE = location("surface", "pane")
UTC = ZoneInfo("UTC")


@pytest.mark.parametrize(("rh", "as_at"), [(0.4, 1.0), (1.5, 1.5)])
def test_air_drier_than_one_per_cent_is_taken_as_that(rh: float, as_at: float) -> None:
    found = surface_risk(newest(PANE, 20.0, rh, 18.0), None, None, OPTIONS)
    assert found is not None
    expected = surface_relative_humidity(18.0, vapour_pressure(20.0, as_at))
    assert found[0].surface_rh.value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("surface_c", "known"), [(-59.0, True), (-61.0, False), (94.0, True), (96.0, False)])
def test_a_surface_that_no_building_has_is_not_known(surface_c: float, known: bool) -> None:
    found = surface_of_readings(newest(PANE, 20.0, 50.0, surface_c), None, None, OPTIONS)
    assert (found is not None) is known


def test_the_driest_air_has_the_frost_point_of_a_fifth_of_a_pascal() -> None:
    found = surface_of_readings(newest(PANE, -55.0, 2.0, -40.0), None, None, OPTIONS)
    assert found is not None
    assert vapour_pressure(-55.0, 2.0) < 0.1
    assert found.margin_k[-1] == pytest.approx(-40.0 - float(dew_or_frost_point(0.2)))


def derived(t: float, rh: float) -> tuple[Derived, Placement]:
    placement = Placement(probe="p", location_id="pane", from_time=START)
    return derived_series(newest(PANE, t, rh, n=3).series, placement, job_of(PANE)), placement


@pytest.mark.parametrize(("t", "shown"), [(-49.0, True), (-51.0, False), (99.0, True), (101.0, False)])
def test_values_are_shown_for_temperatures_that_air_in_a_building_has(t: float, shown: bool) -> None:
    found, _ = derived(t, 5.0)
    assert np.isfinite(found.temperature_c[0]) == shown


@pytest.mark.parametrize(("rh", "shown"), [(0.09, False), (0.11, True)])
def test_no_dew_point_is_shown_of_the_driest_air(rh: float, shown: bool) -> None:
    found, _ = derived(20.0, rh)
    assert np.isfinite(found.dew_point_c[0]) == shown


@pytest.mark.parametrize(("rh", "shown"), [(58.0, True), (62.0, False)])
def test_air_that_is_half_steam_is_a_probes_fault(rh: float, shown: bool) -> None:
    """At 95 °C saturation is 84.5 kPa (steam tables): half of an atmosphere is 60 % RH."""
    found, _ = derived(95.0, rh)
    assert np.isfinite(found.vapour_pressure_pa[0]) == shown


@pytest.mark.parametrize(("t", "shown"), [(79.0, True), (81.0, False)])
def test_a_wet_bulb_is_shown_up_to_80_degrees(t: float, shown: bool) -> None:
    found, placement = derived(t, 20.0)
    assert np.isfinite(wet_bulbs(found, placement, job_of(PANE))[0]) == shown


def risk_of(rh: Array, t: float = 18.0) -> MouldRisk:
    series = track(location(), t, rh, len(rh))
    found = mould_risk(series, None, series.end_s, UTC, OPTIONS)
    assert found is not None
    return found


@pytest.mark.parametrize(("known", "told"), [(125, False), (126, True)])
def test_a_weeks_mean_needs_three_quarters_of_it(known: int, told: bool) -> None:
    rh = np.full(400, 85.0)
    rh[-168 : 400 - known] = np.nan
    assert (risk_of(rh).week_mean_rh is not None) is told


@pytest.mark.parametrize(("known", "told"), [(5, False), (6, True)])
def test_six_hours_of_the_last_day_show_where_mould_is_heading(known: int, told: bool) -> None:
    rh = np.full(400, 85.0)
    rh[-24 : 400 - known] = np.nan
    assert (risk_of(rh).heading is not None) is told


@pytest.mark.parametrize(("known", "told"), [(539, False), (540, True)])
def test_a_calendar_month_needs_three_quarters_of_its_hours(known: int, told: bool) -> None:
    """From 6 January on: 624 hours of that month, and some days of February."""
    rh = np.full(700, 85.0)
    rh[known:624] = np.nan
    assert (risk_of(rh).month_mean_rh is not None) is told


def test_a_month_is_looked_for_two_months_back() -> None:
    """January was known well; 36 days after its end it still counts, and 80 days after no longer."""
    quiet = np.full(624 + 24 * 80, np.nan)
    quiet[:624] = 85.0
    late = np.full(24, 85.0)
    assert risk_of(np.r_[quiet[: 624 + 24 * 36 - 24], late]).month_mean_rh is not None
    assert risk_of(np.r_[quiet, late]).month_mean_rh is None


def test_sun_on_a_wall_counts_by_the_mean_of_half_a_day() -> None:
    """Nine hours at 45 °C after nights at 15 °C: three quarters of twelve hours."""
    t = np.full(160, 15.0)
    t[-54:] = 45.0  # every ten minutes
    findings, _ = frost_and_heat(newest(location("cavity"), t, 40.0), OPTIONS)
    assert [f.value for f in findings] == [pytest.approx(37.5, abs=0.3)]


def test_the_frost_of_a_slow_reporter_is_the_mean_of_two_readings() -> None:
    t = np.full(20, 8.0)
    t[-1] = 2.0
    findings, _ = frost_and_heat(newest(location("room_air"), t, 40.0, n=20, step_s=3600.0), OPTIONS)
    assert {(f.value, f.readings) for f in findings} == {(5.0, 2)}


def test_growth_declines_a_quarter_as_fast_on_other_materials_as_on_pine() -> None:
    pine, board = material_of(location()), material_of(location(mould_sensitivity="sensitive"))
    assert pine.decline == 1.0
    assert 0.2 < board.decline < 0.3


def test_the_slower_growth_of_a_week_and_of_three_days_counts() -> None:
    """Growth that stopped 60 hours ago: a fifth of it lies in the last three days, most of it in the week."""
    rh = np.r_[np.full(24 * 30, 95.0), np.full(60, 79.0)]
    slow, steady = risk_of(rh), risk_of(np.full(24 * 30, 95.0))
    assert slow.rate_per_day is not None
    assert steady.rate_per_day is not None
    assert slow.rate_per_day < 0.25 * steady.rate_per_day


@pytest.mark.parametrize(("stopped_h", "least", "most"), [(30, 0.4, 0.6), (60, 0.0, 0.25)])
def test_growth_of_three_days_counts_as_a_whole(stopped_h: int, least: float, most: float) -> None:
    """Of three days 42 hours, or 12, in which mould grew."""
    slow = risk_of(np.r_[np.full(24 * 30, 95.0), np.full(stopped_h, 79.0)]).rate_per_day
    steady = risk_of(np.full(24 * 30, 95.0)).rate_per_day
    assert slow is not None
    assert steady is not None
    assert least * steady < slow < most * steady


@pytest.mark.parametrize(("known", "told"), [(70, False), (74, True)])
def test_a_rate_needs_three_days_of_a_week(known: int, told: bool) -> None:
    rh = np.full(400, 85.0)
    rh[-168 : 400 - known] = np.nan
    assert (risk_of(rh).rate_per_day is not None) is told


@pytest.mark.parametrize(("rh", "days", "soon"), [(85.5, 55.0, True), (84.5, 66.0, False)])
def test_first_growth_is_given_in_days_up_to_two_months_ahead(rh: float, days: float, soon: bool) -> None:
    found = risk_of(np.full(240, rh))
    assert found.days_to_1 == pytest.approx(days, abs=2.0)
    assert found.soon is soon


@pytest.mark.parametrize(("unknown", "told"), [(18, False), (22, True)])
def test_one_unknown_hour_in_twenty_is_mentioned(unknown: int, told: bool) -> None:
    rh = np.full(400, 85.0)
    rh[100 : 100 + unknown] = np.nan
    assert risk_of(rh).gaps_count is told
