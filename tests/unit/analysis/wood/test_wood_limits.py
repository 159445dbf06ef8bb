"""What the estimate of timber does just below and just above each of its limits (our choice)."""

from __future__ import annotations

import numpy as np
import pytest
from damage_support import location, track

from monitord.analysis.series.hourly_series import TimberSpot
from monitord.analysis.wood.timber import estimate_timber
from monitord.analysis.wood.wood_moisture import wood_finding, wood_moisture
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import WoodMoisture
from monitord.model.series import Array
from monitord.physics.wood import equilibrium_moisture_content

OPTIONS = AnalysisOptions()


def moisture(t: Array | float, rh: Array | float, n: int = 240) -> WoodMoisture | None:
    series = track(location("subfloor_void", name="void"), t, rh, n)
    return wood_moisture(series, series.end_s, OPTIONS)


@pytest.mark.parametrize(("hours", "known"), [(23, False), (24, True)])
def test_a_day_must_be_known_for_timber_starts_from_its_mean(hours: int, known: bool) -> None:
    assert (moisture(12.0, 80.0, hours) is not None) is known


@pytest.mark.parametrize(("t", "as_at"), [(-30.0, -30.0), (-39.9, -39.0), (80.0, 80.0), (110.0, 100.0)])
def test_the_equilibrium_is_held_to_the_temperatures_of_its_equation(t: float, as_at: float) -> None:
    found = moisture(t, 40.0)
    assert found is not None
    assert found.equilibrium == pytest.approx(equilibrium_moisture_content(as_at, 40.0), rel=1e-9)


def test_the_uncertainty_from_the_probe_stops_growing_near_saturation() -> None:
    """The slope of the equilibrium is taken over 2 % RH either way, and so at 97 % where the air is wetter."""
    u = []
    for rh in (96.5, 97.0, 98.5):
        found = moisture(12.0, rh)
        assert found is not None
        u.append(found.value.u or 0.0)
    assert u[0] < u[1] - 1e-3
    assert u[1] == pytest.approx(u[2])


@pytest.mark.parametrize(("heard", "known"), [(5, False), (6, True)])
def test_six_hours_of_the_last_day_make_a_verdict(heard: int, known: bool) -> None:
    rh = np.full(240, 95.0)
    rh[-24 : 240 - heard] = np.nan
    series = track(location("subfloor_void", name="void"), 12.0, rh, 240)
    found = wood_moisture(series, series.end_s, OPTIONS)
    assert found is not None
    finding = wood_finding(series, found, OPTIONS, 3600.0)
    assert finding is not None
    assert (finding.value is not None) is known


def test_where_no_temperature_is_known_of_the_last_week_decay_is_taken_to_run() -> None:
    found = moisture(np.r_[np.full(100, 12.0), np.full(168, np.nan)], 90.0, 268)
    assert found is not None
    assert found.warmth == "runs"


def estimate(t: float, rh: float, hours: int = 240) -> float:
    """Timber's equilibrium with steady air. [% of dry mass]"""
    found = estimate_timber(np.full(hours, t), np.full(hours, rh), 14.0)
    assert found is not None
    return float(found.equilibrium[-1])


def test_air_drier_than_one_per_cent_is_taken_as_that_for_timber() -> None:
    assert estimate(20.0, 0.4) == estimate(20.0, 1.0) != estimate(20.0, 1.5)


def test_air_warmer_than_fifty_degrees_is_taken_as_that_for_timber() -> None:
    assert estimate(65.0, 60.0) == estimate(50.0, 60.0) != estimate(45.0, 60.0)


@pytest.mark.parametrize(("hours", "told"), [(11, False), (13, True)])
def test_timber_is_estimated_from_half_a_day_on(hours: int, told: bool) -> None:
    assert (estimate_timber(np.full(hours, 20.0), np.full(hours, 60.0), 14.0) is not None) is told


@pytest.mark.parametrize(("days_before", "counts"), [(6.5, True), (7.5, False)])
def test_a_spot_reading_of_the_week_before_counts_as_that_of_the_start(days_before: float, counts: bool) -> None:
    hours = 1e9 + 3600.0 * np.arange(240)
    spot = TimberSpot(float(hours[0]) - days_before * 86_400.0, 25.0, 1.0)
    found = estimate_timber(np.full(240, 20.0), np.full(240, 60.0), 14.0, hours, (spot,))
    assert found is not None
    assert bool(found.spots) is counts
