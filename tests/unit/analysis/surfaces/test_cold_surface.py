"""Cold surfaces: which source gives the temperature, what a wall remembers, how sure it is, and what is said of it."""

from __future__ import annotations

import numpy as np
import pytest
from damage_support import (
    NO_UNCERTAINTY,
    START,
    USUAL,
    job_of,
    location,
    newest,
    surface_of_hours,
    surface_of_readings,
    surface_risk,
    track,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.surfaces.cold_surface import mean_before
from monitord.analysis.surfaces.derived import derived_series, surface_by_factor
from monitord.analysis.surfaces.surface_risk import risk_level
from monitord.model.assessments import SurfaceSource
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Accuracy, Placement
from monitord.physics.moist_air import dew_or_frost_point, vapour_pressure
from monitord.physics.surfaces import surface_temperature_from_factor
from monitord.physics.uncertainty import combine

OPTIONS = AnalysisOptions()
ROOM, OUT = location("room_air", "room", f_rsi=0.7), location("outdoor_air", "out")


def test_where_nothing_gives_a_surface_none_is_guessed():
    room, out = newest(location("room_air", "room"), 20, 60), newest(OUT, 0, 80)
    assert surface_risk(newest(location("cavity"), 12, 90), room, out, OPTIONS) is None
    assert surface_risk(newest(location("cavity", f_rsi=0.4), 12, 90), room, None, OPTIONS) is None
    assert surface_risk(newest(location("cavity", f_rsi=0.4), 12, 90), None, out, OPTIONS) is None


def test_a_contact_sensor_goes_before_the_factor_and_the_factor_fills_its_gaps():
    touched = np.full(160, 9.0)
    touched[-30:] = np.nan
    series = newest(location("cavity", f_rsi=0.4), 12, 90, touched)
    found = surface_of_readings(series, newest(ROOM, 20, 60), newest(OUT, 0, 80), OPTIONS)
    assert found is not None
    assert found.source(0) is SurfaceSource.CONTACT
    assert found.source() is SurfaceSource.FACTOR
    assert found.temperature_c[0] == 9.0
    assert found.temperature_c[-1] == pytest.approx(0.4 * 20)
    assert found.u_k[0] == OPTIONS.surface_u_k


@pytest.mark.parametrize(
    ("kind", "what"), [("cavity", "cold leaf"), ("subfloor_void", "cold underside"), ("surface", "surface")]
)
def test_the_cold_side_of_each_kind_of_place_has_its_name(kind, what):
    found = surface_risk(newest(location(kind, f_rsi=0.3), 10, 85), newest(ROOM, 20, 60), newest(OUT, 0, 80), OPTIONS)
    assert found is not None
    risk, finding = found
    assert risk.what == what
    assert finding.facts.surface == what
    assert finding.facts.surface_temperature == risk.surface_temperature
    assert risk.surface_temperature.u is not None


def test_a_surface_follows_the_means_of_the_last_hours():
    """Room steady, outdoors 10 K colder for the last two hours only: half of a four-hour memory has seen it."""
    outdoor = np.full(160, 5.0)
    outdoor[-12:] = -5.0
    found = surface_of_readings(newest(ROOM, 20, 60), newest(ROOM, 20, 60), newest(OUT, outdoor, 80), OPTIONS)
    assert found is not None
    assert found.temperature_c[-1] == pytest.approx(surface_temperature_from_factor(0.7, 20.0, 0.4), abs=0.15)
    steady = surface_of_readings(newest(ROOM, 20, 60), newest(ROOM, 20, 60), newest(OUT, 0.4, 80), OPTIONS)
    assert steady is not None
    assert found.u_k[-1] > 1.2 * steady.u_k[-1]  # that the memory is not known is part of the uncertainty


def test_a_mean_before_reaches_back_no_further_than_is_known():
    times, values = 600.0 * np.arange(13), np.arange(13.0)  # one degree every ten minutes
    assert mean_before(times, values, times[-1:], 7200.0)[0] == pytest.approx(6.0)
    assert mean_before(times, values, times[-1:], 3600.0)[0] == pytest.approx(9.0)
    assert mean_before(times, values, times[-1:], 86_400.0)[0] == pytest.approx(6.0)
    assert mean_before(times, values, times[3:4], 0.0)[0] == pytest.approx(3.0)
    values[5] = np.nan
    assert mean_before(times, values, times[-1:], 7200.0)[0] == pytest.approx(6.0)
    assert np.isnan(mean_before(times, np.full(13, np.nan), times, 7200.0)).all()


def test_one_probe_for_room_and_dew_point_is_surer_than_two():
    """Its temperature error moves the surface and the dew point the same way."""
    own = surface_of_readings(newest(ROOM, 20, 60), newest(ROOM, 20, 60), newest(OUT, 0, 80), OPTIONS)
    other = newest(location("surface", f_rsi=0.7), 20, 60)
    apart = surface_of_readings(other, newest(ROOM, 20, 60), newest(OUT, 0, 80), OPTIONS)
    assert own is not None
    assert apart is not None
    assert own.margin_k[-1] == pytest.approx(apart.margin_k[-1])
    assert own.u_margin_k[-1] < apart.u_margin_k[-1]


def test_uncertainty_of_the_margin_agrees_with_a_draw_of_the_probes_errors():
    """JCGM 101: 40 000 draws of the errors of room temperature, humidity, outdoor temperature and factor."""
    rng = np.random.default_rng(5)
    n = 40_000
    t, rh = 20 + USUAL.temperature_k * rng.standard_normal(n), 60 + USUAL.relative_humidity_pct * rng.standard_normal(n)
    out = USUAL.temperature_k * rng.standard_normal(n)
    factor = 0.7 + OPTIONS.f_rsi_u * rng.standard_normal(n)
    margin = out + factor * (t - out) - np.asarray(dew_or_frost_point(np.asarray(vapour_pressure(t, rh))))
    found = surface_of_readings(newest(ROOM, 20, 60), newest(ROOM, 20, 60), newest(OUT, 0, 80), OPTIONS)
    assert found is not None
    assert found.margin_k[-1] == pytest.approx(float(margin.mean()), abs=0.02)
    assert found.u_margin_k[-1] == pytest.approx(float(margin.std()), rel=0.03)


def test_readings_and_hours_of_steady_air_give_the_same_surface():
    series = location("cavity", f_rsi=0.4)
    by_reading = surface_of_readings(newest(series, 12, 90), newest(ROOM, 20, 60), newest(OUT, 1, 80), OPTIONS)
    by_hour = surface_of_hours(track(series, 12, 90, 30), track(ROOM, 20, 60, 30), track(OUT, 1, 80, 30), OPTIONS)
    assert by_reading is not None
    assert by_hour is not None
    for name in ("temperature_c", "u_k", "margin_k", "u_margin_k"):
        assert getattr(by_hour, name)[-1] == pytest.approx(getattr(by_reading, name)[-1])


def test_a_chart_shows_the_surface_that_the_finding_speaks_of():
    outdoor = 2.0 + 5.0 * np.sin(np.arange(160) / 20.0)
    room, out = newest(ROOM, 20, 60), newest(OUT, outdoor, 80)
    found = surface_of_readings(room, room, out, OPTIONS)
    accuracy = Accuracy(temperature_c=USUAL.temperature_k * 3**0.5, relative_humidity_pct=3**0.5)
    placements = [Placement(probe=f"p-{k}", location_id=k, from_time=START, accuracy=accuracy) for k in ("room", "out")]
    job = job_of(ROOM, OUT)
    shown = [derived_series(air.series, placement, job) for air, placement in zip((room, out), placements, strict=True)]
    surface, u = surface_by_factor(shown[0], 0.7, *shown, OPTIONS.surface_averaging_h, OPTIONS)
    assert found is not None
    assert surface == pytest.approx(found.temperature_c)
    assert u == pytest.approx(found.u_k, rel=0.02)


def test_below_zero_it_is_the_frost_point_that_counts():
    """Air of -5 °C and 90 % over water, Magnus (WMO-No. 8): 380.0 Pa. psychrolib 2.5 puts its frost point at -5.651 °C;
    the dew point over water is -6.35."""
    found = surface_risk(newest(location("surface"), -5, 90, -6.0, uncertainty=NO_UNCERTAINTY), None, None, OPTIONS)
    assert found is not None
    risk, finding = found
    assert risk.dew_point.value == pytest.approx(-5.651, abs=0.005)
    assert finding.facts.dew_point == risk.dew_point
    assert risk.probability > 0.7


def test_levels_go_from_watch_to_warn_to_act():
    assert risk_level(0.0, 8.0, 60.0, OPTIONS) == "none"
    assert risk_level(0.0, 3.1, 81.0, OPTIONS) == "watch"
    assert risk_level(0.0, 2.9, 82.0, OPTIONS) == "warn"
    assert risk_level(0.2, 3.5, 82.0, OPTIONS) == "warn"
    assert risk_level(0.5, 0.0, 100.0, OPTIONS) == "act"
    assert risk_level(0.4, 1.0, 95.0, AnalysisOptions(condensation_probability_act=0.4)) == "act"


def test_a_finding_tells_since_when_it_condenses_and_for_how_long_in_the_day():
    surface = np.full(160, 12.0)
    surface[-9:] = 6.0
    found = surface_risk(newest(location("surface"), 15, 60, surface), None, None, OPTIONS)
    assert found is not None
    risk, finding = found
    assert risk.since is not None
    assert risk.since == finding.since
    assert (risk.at - risk.since).total_seconds() == 8 * 600
    assert risk.hours_at_risk == pytest.approx(1.5)
    assert finding.readings == 9
    assert finding.interval_s == 600.0


def test_a_gap_counts_as_one_interval_of_condensing_only():
    series = newest(location("surface"), 15, 60, 6.0, n=20)
    far = series.series.time_s.copy()
    far[10:] += 12 * 3600.0
    moved = type(series)(series.location, type(series.series)(far, *(getattr(series.series, n) for n in (
        "temperature_c", "relative_humidity_pct", "surface_temperature_c", "battery_v", "received_s"))),
        series.uncertainty, series.interval_s, series.humidity_over, series.probe)  # fmt: skip
    found = surface_risk(moved, None, None, OPTIONS)
    assert found is not None
    assert found[0].hours_at_risk == pytest.approx((20 + 1) / 6)


@settings(deadline=None, max_examples=40)
@given(t=st.floats(-20, 35), rh=st.floats(2, 100), surface=st.floats(-25, 35), over=st.sampled_from(["water", "ice"]))
def test_probability_falls_as_the_surface_warms(t, rh, surface, over):
    """And it is one half where the surface is at the dew point, whatever the air."""
    cold, warm = (
        surface_risk(newest(location("surface"), t, rh, s, n=2, over=over), None, None, OPTIONS)
        for s in (surface, surface + 1.0)
    )
    assert cold is not None
    assert warm is not None
    assert warm[0].probability <= cold[0].probability
    assert warm[0].margin.value == pytest.approx(cold[0].margin.value + 1.0)
    vapour = float(vapour_pressure(t, rh, over))
    at_dew = surface_risk(
        newest(location("surface"), t, rh, float(dew_or_frost_point(vapour)), n=2, over=over), None, None, OPTIONS
    )
    assert at_dew is not None
    assert at_dew[0].probability == pytest.approx(0.5, abs=1e-3)
    expected = combine(at_dew[0].surface_temperature.u, at_dew[0].dew_point.u)
    assert at_dew[0].margin.u == pytest.approx(expected)
