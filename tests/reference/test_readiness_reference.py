"""The verdict's numbers against what is published: Crank's slab, JCGM 106, and the saturated salts."""

from __future__ import annotations

from math import acos, exp, pi, sin
from statistics import NormalDist

import numpy as np
import pytest
from analysis_series import START, readings
from readiness_support import Case

from monitord.analysis.readiness.conformance import acceptance_limit, conformance_probability
from monitord.analysis.series.calibration import corrected_series
from monitord.model.jobs import Calibration, Placement
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readiness.verdict import Criterion, Reason
from monitord.physics.fixed_points import salt_humidity

TERMS = range(60)


def crank_local(x: float, fo: float) -> float:
    """Crank 1975, §4.3, one face sealed (x 0), the other exposed (x 1): local share of the excess that remains."""
    total = 0.0
    for n in TERMS:
        m = 2 * n + 1
        total += 4 * (-1) ** n / (m * pi) * exp(-(m**2) * pi**2 * fo / 4) * sin(m * pi / 2 * (1 - x)) * (-1) ** n
    return total


def crank_mean(fo: float) -> float:
    """The same, mean over the thickness."""
    return sum(8 / ((2 * n + 1) ** 2 * pi**2) * exp(-((2 * n + 1) ** 2) * pi**2 * fo / 4) for n in TERMS)


def depth_of_mean(fo: float) -> float:
    """Depth below the exposed face, as a share of the thickness, where the local value is the mean, by bisection."""
    low, high, mean = 0.0, 1.0, crank_mean(fo)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if crank_local(1 - middle, fo) < mean else (low, middle)
    return low


def test_cranks_series_is_the_published_one() -> None:
    # polykin documentation, uptake_sheet and profile_sheet at Fo 0.25
    assert 1 - crank_mean(0.25) == pytest.approx(0.562233541762138, abs=1e-12)
    assert 1 - crank_local(0.0, 0.25) == pytest.approx(0.3145542331096479, abs=1e-12)


def test_the_depth_rules_hold_the_depth_that_reads_the_mean() -> None:
    # the first term alone: cos(π(1-d)/2) = 2/π, so d = 1 - 2/π·acos(2/π) = 0.4393 (Crank 1975)
    limit = 1 - 2 / pi * acos(2 / pi)
    assert limit == pytest.approx(0.4393, abs=5e-5)
    assert depth_of_mean(1.0) == pytest.approx(limit, abs=1e-4)
    for criteria in ("in-situ-rh-24h", "in-situ-rh-72h"):
        rule = built_in()[criteria].depth
        assert rule is not None
        assert abs(rule.wanted(1) - limit) <= rule.tolerance_share
        assert abs(rule.wanted(2) - limit / 2) <= rule.tolerance_share  # drying from both: half a slab of half depth
        # a tenth of the thickness off, the sleeve reads 13 % of the excess too much or too little: not taken
        assert abs(rule.wanted(1) + 0.1 - limit) > rule.tolerance_share


@pytest.mark.parametrize(
    ("value", "u", "limit", "probability"),
    [
        # JCGM 106:2012, 7.3, both recalled from memory; lower limits are turned round by their sign. That 7.3 and its
        # table 1 are one-sided limits with a normal PDF is confirmed (CRAN package propagate 1.3-0, demo JCGM106):
        # breaking strength of a container, at least 490 kPa, measured 509.7 with u 8.6: 0.99
        (-509.7, 8.6, -490.0, 0.99),
        # breakdown voltage of a diode, at most -5.40 V, measured -5.47 with u 0.05: 0.92
        (-5.47, 0.05, -5.40, 0.92),
    ],
)
def test_conformance_probabilities_are_those_of_jcgm_106(
    value: float, u: float, limit: float, probability: float
) -> None:
    assert conformance_probability(value, u, limit) == pytest.approx(probability, abs=0.005)


@pytest.mark.parametrize("guard_factor", [0.0, 1.0, 1.645, 2.0])
def test_at_the_acceptance_limit_the_probability_is_the_normal_distributions(guard_factor: float) -> None:
    at = acceptance_limit(80.0, 1.2, guard_factor)
    assert conformance_probability(at, 1.2, 80.0) == pytest.approx(NormalDist().cdf(guard_factor), abs=1e-12)


def test_a_salt_check_moves_the_verdict_by_what_it_found() -> None:
    # Greenspan 1977: sodium chloride at 20 °C is 75.48 % RH; a probe that showed 77.0 over it reads 1.52 too high
    case = Case()
    raw = np.full(336, 79.0)
    case.humidity["s1"] = raw
    assert case.value(Criterion.LIMIT, "s1").reason is Reason.WITHIN_GUARD_BAND  # 79 + 2 > 80
    found = salt_humidity("NaCl", 20.0) - 77.0
    check = Calibration(probe="p-s1", at=START, relative_humidity_correction_pct=found)
    stay = Placement.model_validate({"id": "p-s1", "location_id": "s1", "from": START})
    series = readings(3600.0 * np.arange(336.0), 20.0, raw)
    case.humidity["s1"] = corrected_series(series, stay, [check]).relative_humidity_pct
    value = case.value(Criterion.LIMIT, "s1")
    assert value.reason is Reason.MET  # 77.48 + 2 <= 80
    assert value.measured is not None
    assert value.measured.value == pytest.approx(79.0 - 1.52, abs=0.01)
