"""The vapour-pressure gradient between a probe and its room against published numbers, with its uncertainty."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import psychrolib
import pytest

from monitord.analysis.air.comparison import Present, compare
from monitord.analysis.series.calibration import Uncertainty
from monitord.model.assessments import Comparison, Flow
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import HumidityOver, Location, LocationKind
from monitord.model.series import Series

START = datetime(2026, 3, 2, tzinfo=UTC).timestamp()
SEA_LEVEL_PA = 101_325.0
UNCERTAINTY = Uncertainty(0.15, 1.0)

psychrolib.SetUnitSystem(psychrolib.SI)


def air(kind: LocationKind, t: float, rh: float, uncertainty: Uncertainty = UNCERTAINTY) -> Present:
    time_s, nothing = np.array([START, START + 600.0]), np.full(2, np.nan)
    series = Series(time_s, np.full(2, t), np.full(2, rh), nothing, nothing, time_s)
    return Present(Location(id=kind.value, kind=kind), series, uncertainty, 600.0, HumidityOver.WATER, "p")


def gradient(
    room: tuple[float, float], probe: tuple[float, float], uncertainty: Uncertainty = UNCERTAINTY
) -> Comparison:
    series, other = air(LocationKind.CAVITY, *probe, uncertainty), air(LocationKind.ROOM_AIR, *room, uncertainty)
    return compare(series, other, "room", SEA_LEVEL_PA, AnalysisOptions())


@pytest.mark.parametrize(
    ("room", "probe", "pascals", "grains"),
    # the equations of ASHRAE Handbook—Fundamentals ch. 1 evaluated independently, printed to 0.1 Pa and 0.01 gr/lb
    [
        ((20, 50), (20, 75), 584.7, 25.86),
        ((20, 50), (12, 95), 163.1, 7.18),
        ((22, 40), (15, 85), 391.7, 17.26),
        ((18, 65), (5, 90), -556.6, -24.42),
        ((22, 45), (10, 90), -84.9, None),
    ],
)
def test_the_published_gradients(
    room: tuple[float, float], probe: tuple[float, float], pascals: float, grains: float | None
) -> None:
    found = gradient(room, probe)
    assert found.vapour_pressure_difference is not None
    assert found.vapour_pressure_difference.value == pytest.approx(pascals, abs=0.06)
    assert found.humidity_ratio_difference is not None
    if grains is not None:
        found_grains = found.humidity_ratio_difference.value / 1000.0 * 7000.0
        assert found_grains == pytest.approx(grains, abs=0.006)


def test_higher_humidity_in_a_cold_void_may_be_less_vapour() -> None:
    # 90 % RH in the void against 65 and 45 % in the room: vapour moves from the room into the void all the same
    assert gradient((18, 65), (5, 90)).flow is Flow.INTO
    assert gradient((20, 50), (20, 75)).flow is Flow.OUT_OF
    # 84.9 Pa is not 2 standard uncertainties of two such probes: nothing is claimed
    assert gradient((22, 45), (10, 90), Uncertainty(0.3, 1.5)).flow is Flow.NO_CLEAR_DIFFERENCE


def test_the_gradient_of_two_such_probes_is_known_to_38_pascals() -> None:
    # u(RH) 1 and u(T) 0.15 near 20 °C: 2.21 % of 1169.4 Pa and 1.63 % of 1754.1 Pa, in quadrature, by hand: 38.6
    found = gradient((20, 50), (20, 75))
    assert found.vapour_pressure_difference is not None
    by_hand = np.hypot(0.0221 * 1169.4, 0.0163 * 1754.1)
    assert found.vapour_pressure_difference.u == pytest.approx(by_hand, rel=5e-3)
    assert found.vapour_pressure_difference.u == pytest.approx(38.0, abs=1.0)


@pytest.mark.parametrize(("room", "probe"), [((20, 50), (20, 75)), ((18, 65), (5, 90)), ((24, 35), (-4, 80))])
def test_differences_agree_with_psychrolib(room: tuple[float, float], probe: tuple[float, float]) -> None:
    # psychrolib 2.5: the same chapter. Below 0 °C it takes ice where our probe means water: there Magnus over water
    # of WMO-No. 8 stands in, which is within 0.15 % of the equation over supercooled water.
    def vapour(t: float, rh: float) -> float:
        if t < 0:
            return 611.2 * float(np.exp(17.62 * t / (243.12 + t))) * rh / 100.0
        return float(psychrolib.GetVapPresFromRelHum(t, rh / 100.0))

    expected = vapour(*probe) - vapour(*room)
    ratio = psychrolib.GetHumRatioFromVapPres
    found = gradient(room, probe)
    assert found.vapour_pressure_difference is not None
    assert found.humidity_ratio_difference is not None
    assert found.vapour_pressure_difference.value == pytest.approx(expected, abs=0.6)
    expected_ratio = 1000.0 * (ratio(vapour(*probe), SEA_LEVEL_PA) - ratio(vapour(*room), SEA_LEVEL_PA))
    assert found.humidity_ratio_difference.value == pytest.approx(expected_ratio, abs=0.005)
