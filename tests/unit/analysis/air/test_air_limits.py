"""What comparisons of airs do just below and just above each of their limits (our choice)."""

from __future__ import annotations

import numpy as np
import pytest
from damage_support import job_of, location, newest, surface_risk, track

from monitord.analysis.air.comparison import interpolated
from monitord.analysis.air.measures import Balance, measures
from monitord.analysis.air.moisture_source import source_of
from monitord.analysis.air.outdoor_forecast import OutdoorForecast, _vapour_share, recent_factor
from monitord.analysis.air.ventilation import VentilationDay, ventilation, ventilation_day
from monitord.model.assessments import SourceKind
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import MeasureEffect, WetPlaces
from monitord.physics.moist_air import dew_or_frost_point, vapour_pressure

OPTIONS = AnalysisOptions()
ROOM, OUT = location("room_air", "room"), location("outdoor_air", "out")


@pytest.mark.parametrize(("away_h", "paired"), [(2.9, True), (3.1, False)])
def test_airs_are_compared_within_three_intervals_of_a_slow_reporter(away_h: float, paired: bool) -> None:
    slow = newest(OUT, 5.0, 80.0, n=10, step_s=3600.0)
    at = np.array([slow.time_s + 3600.0 * away_h])
    assert np.isfinite(interpolated(slow, at, slow.series.temperature_c, OPTIONS)[0]) == paired


@pytest.mark.parametrize(("hours", "known"), [(5, False), (6, True)])
def test_six_hours_of_a_day_show_what_ventilation_would_have_done(hours: int, known: bool) -> None:
    t = np.full(24, 20.0)
    t[hours:] = np.nan
    found = ventilation_day(track(ROOM, t, 60.0), track(OUT, 5.0, 80.0, 24), 0.0, OPTIONS)
    assert (found.water is not None) is known


@pytest.mark.parametrize(("over_k", "named"), [(0.1, False), (-0.1, True)])
def test_outdoor_air_condenses_where_that_is_more_likely_than_not(over_k: float, named: bool) -> None:
    pane = location("surface", "pane", reference="room")
    dew = float(dew_or_frost_point(vapour_pressure(22.0, 70.0)))
    risk = surface_risk(newest(pane, 20.0, 40.0, dew + over_k), None, None, OPTIONS)
    assert risk is not None
    airs = {"room": newest(ROOM, 20.0, 40.0), "out": newest(OUT, 22.0, 70.0)}
    found = ventilation(job_of(ROOM, OUT, pane), ROOM, airs, {"pane": risk[0]}, VentilationDay(), OPTIONS)
    assert found is not None
    assert 0.3 < (found.condenses_probability or 0.0) < 0.7
    assert (found.condenses_on == "pane") is named


def balance(element: float = 1500.0, room: float = 1200.0, outdoor: float = 800.0, element_c: float = 18.0) -> Balance:
    return Balance(element, room, outdoor, 20.0, 20.0, 20.0, 20.0, element_c, WetPlaces.MONITORED)


@pytest.mark.parametrize(("drive", "shown"), [(0.9, False), (1.1, True)])
def test_a_balance_needs_a_vapour_pressure_difference(drive: float, shown: bool) -> None:
    assert (balance(element=1200.0 + drive).ratio > 0.0) is shown


@pytest.mark.parametrize(("taken", "ratio"), [(490.0, 49.0), (600.0, 50.0)])
def test_the_ratio_of_conductances_is_believed_up_to_fifty(taken: float, ratio: float) -> None:
    assert balance(element=1210.0, outdoor=1200.0 - taken).ratio == pytest.approx(ratio)


def test_heating_is_worked_out_up_to_60_degrees() -> None:
    gains = []
    for celsius in (40.0, 57.0, 60.0):
        heat = next(m for m in measures(balance(element=4000.0, element_c=celsius), OPTIONS) if m.name == "heat")
        gains.append(heat.gain.value)
    assert gains[0] > gains[1] > 10.0
    assert gains[2] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("over_pa", "effect"), [(0.4, MeasureEffect.LEAVES), (0.6, MeasureEffect.RAISES)])
def test_a_change_under_half_a_pascal_is_none(over_pa: float, effect: MeasureEffect) -> None:
    held = float(vapour_pressure(20.0, OPTIONS.dehumidified_rh_pct))
    found = next(m for m in measures(balance(room=held + over_pa), OPTIONS) if m.name == "dehumidify")
    assert found.effect is effect


@pytest.mark.parametrize(("hours", "known"), [(23, False), (24, True)])
def test_a_moisture_source_needs_a_day_of_paired_hours(hours: int, known: bool) -> None:
    rh = np.full(240, 80.0)
    rh[:-hours] = np.nan
    found = source_of(
        track(location(), 15.0, rh, 240), track(ROOM, 20.0, 50.0, 240), track(OUT, 5.0, 80.0, 240), OPTIONS
    )
    assert found is not None
    assert (found.kind is not SourceKind.UNKNOWN) is known


def test_hours_within_six_of_each_other_share_their_error() -> None:
    """Scatter of an hourly difference over three days counts as that of twelve values."""
    swing = 8.0 * (-1.0) ** np.arange(240)
    u = []
    for added in (np.zeros(240), swing):
        found = source_of(track(location(), 15.0, 70.0 + added, 240), track(ROOM, 20.0, 50.0, 240), None, OPTIONS)
        assert found is not None
        assert found.over_room is not None
        u.append(found.over_room.u or 0.0)
    scatter = float(np.std(vapour_pressure(np.full(72, 15.0), (70.0 + swing)[-72:])))
    assert np.sqrt(u[1] ** 2 - u[0] ** 2) == pytest.approx(scatter / np.sqrt(12.0), rel=0.1)


def test_a_forecast_of_a_day_ahead_is_off_by_a_kelvin_or_so() -> None:
    """Weather services' own checks: 1 to 1.5 K for temperature a day ahead (from memory)."""
    made = OutdoorForecast(np.zeros(1), np.zeros(1), np.zeros(1))
    assert 0.9 < made.u_temperature_k < made.u_dew_point_k < 1.6


@pytest.mark.parametrize(("apart_k", "known"), [(1.9, False), (2.1, True)])
def test_airs_that_are_alike_show_no_temperature_factor(apart_k: float, known: bool) -> None:
    room, out = track(ROOM, 10.0 + apart_k, 50.0, 200), track(OUT, 10.0, 80.0, 200)
    assert (recent_factor(np.full(200, 10.0 + 0.7 * apart_k), room, out) is not None) is known


@pytest.mark.parametrize(("hours", "known"), [(23, False), (24, True)])
def test_a_day_of_hours_shows_the_factor_and_the_share_of_outdoor_vapour(hours: int, known: bool) -> None:
    surface = np.full(200, 17.0)
    surface[:-hours] = np.nan
    rising = np.linspace(60.0, 90.0, 200)
    room, out = track(ROOM, 20.0, 50.0, 200), track(OUT, 10.0, rising, 200)
    assert (recent_factor(surface, room, out) is not None) is known
    rh = rising.copy()
    rh[: -hours - 24] = np.nan  # pairs of hours a day apart
    assert _vapour_share(track(location(), 10.0, rh, 200), out) == pytest.approx(1.0 if known else 0.5, abs=1e-6)
