"""Condensation now: published states of a surface, the margin's probability, hours at risk, what is not known."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from damage_support import surface_risk
from scipy.stats import norm

from monitord.analysis.air.comparison import Present
from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.surfaces.surface_risk import risk_level
from monitord.model.assessments import Finding, SurfaceRisk, SurfaceSource
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import HumidityOver, Location, LocationKind
from monitord.model.series import Array, Series

START_S = datetime(2026, 3, 2, tzinfo=UTC).timestamp()
OPTIONS = AnalysisOptions()
STEP_S = 600.0


def air(
    t: float | Array,
    rh: float,
    surface: float | Array = np.nan,
    f_rsi: float | None = None,
    kind: LocationKind = LocationKind.ROOM_AIR,
    hours: float = 30.0,
) -> Present:
    n = int(hours * 6)
    time_s = START_S + STEP_S * np.arange(n)
    spread = (np.broadcast_to(value, n).astype(float) for value in (t, rh, surface))
    temperature, humidity, touched = spread
    location = Location(id=kind.value, kind=kind, f_rsi=f_rsi)
    series = Series(time_s, temperature, humidity, touched, np.full(n, np.nan), time_s)
    return Present(location, series, Uncertainty(0.15, 1.0), STEP_S, HumidityOver.WATER, kind.value)


def assess(
    present: Present, room: Present | None = None, outdoor: Present | None = None
) -> tuple[SurfaceRisk, Finding]:
    found = surface_risk(present, room, outdoor, OPTIONS)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("t", "rh", "surface", "surface_rh", "margin"),
    # EN ISO 13788 arithmetic with ASHRAE pressures, evaluated independently: RH to 0.01, margin to 0.01 K
    [
        (20, 50, 12.6, 80.15, 3.33),
        (20, 60, 15, 82.28, 2.99),
        (20, 60, 10, 114.3, -2.01),
        (22, 45, 8, 110.9, -1.53),
        (15, 70, 11, 90.94, 1.42),
    ],
)
def test_published_states_of_a_surface(t: float, rh: float, surface: float, surface_rh: float, margin: float) -> None:
    risk, finding = assess(air(t, rh, surface))
    assert risk.source is SurfaceSource.CONTACT
    assert risk.surface_rh.value == pytest.approx(surface_rh, abs=0.06)
    assert risk.margin.value == pytest.approx(margin, abs=0.011)
    assert risk.probability == pytest.approx(norm.cdf(0.0, risk.margin.value, risk.margin.u), abs=1e-9)
    assert finding.value == risk.probability
    assert risk.surface_temperature.value - risk.dew_point.value == pytest.approx(risk.margin.value)


def test_the_design_case_of_din_4108_2_stands_at_the_mould_limit() -> None:
    # 20 °C / 50 % inside, -5 °C outside, f_Rsi 0.70: 12.5 °C, 80 % RH, and dry
    outdoor = air(-5.0, 80.0, kind=LocationKind.OUTDOOR_AIR)
    room = air(20.0, 50.0, f_rsi=0.70)
    risk, _ = assess(room, room, outdoor)
    assert risk.source is SurfaceSource.FACTOR
    assert risk.surface_temperature.value == pytest.approx(12.5, abs=0.01)
    assert risk.surface_rh.value == pytest.approx(80.7, abs=0.2)
    assert risk.probability < 0.01
    assert risk.level == "watch"


def test_a_contact_sensor_goes_before_the_factor() -> None:
    outdoor, room = air(-5.0, 80.0, kind=LocationKind.OUTDOOR_AIR), air(20.0, 50.0, surface=9.0, f_rsi=0.7)
    risk, _ = assess(room, room, outdoor)
    assert risk.source is SurfaceSource.CONTACT
    assert risk.surface_temperature.value == 9.0


def test_without_a_known_surface_nothing_is_guessed() -> None:
    outdoor = air(-5.0, 80.0, kind=LocationKind.OUTDOOR_AIR)
    plain, factor = air(20.0, 50.0), air(20.0, 50.0, f_rsi=0.7)
    assert surface_risk(plain, plain, outdoor, OPTIONS) is None
    assert surface_risk(factor, factor, None, OPTIONS) is None
    stale = air(-5.0, 80.0, kind=LocationKind.OUTDOOR_AIR, hours=20.0)  # heard last ten hours ago
    assert surface_risk(factor, factor, stale, OPTIONS) is None


def test_hours_at_risk_are_those_of_the_last_day() -> None:
    hours = np.arange(30 * 6) / 6.0
    # 30 hours; the surface was wet from hour 2 to 5, before the last day began, and again from 20 to 23
    wet = ((hours >= 2) & (hours < 5)) | ((hours >= 20) & (hours < 23))
    risk, finding = assess(air(20.0, 60.0, np.where(wet, 10.0, 16.0)))
    assert risk.hours_at_risk == pytest.approx(3.0, abs=STEP_S / 3600.0)
    assert finding.since is None


def test_since_when_it_condenses_is_when_the_run_began() -> None:
    hours = np.arange(30 * 6) / 6.0
    _, finding = assess(air(20.0, 60.0, np.where(hours >= 27.0, 10.0, 16.0)))
    assert finding.since is not None
    assert finding.since.timestamp() == START_S + 27 * 3600.0
    assert finding.readings == 18


def test_probability_falls_as_the_surface_warms() -> None:
    probabilities = [assess(air(20.0, 60.0, surface))[0].probability for surface in (8.0, 11.0, 12.0, 13.0, 16.0)]
    assert probabilities == sorted(probabilities, reverse=True)
    assert probabilities[0] > 0.999
    assert probabilities[-1] < 0.001


@pytest.mark.parametrize(
    ("probability", "margin", "rh", "level"),
    [
        (0.6, -0.1, 100, "act"),
        (0.3, 0.4, 96, "warn"),
        (0.0, 2.9, 83, "warn"),
        (0.0, 3.5, 80, "watch"),
        (0.0, 5, 70, "none"),
    ],
)
def test_levels_in_order(probability: float, margin: float, rh: float, level: str) -> None:
    # 3 K above the dew point: ISO 8502-4 guidance; 80 % RH: EN ISO 13788
    assert risk_level(probability, margin, rh, OPTIONS) == level
