"""What a verdict does just below and just above the limits that are not rules of its criteria (our choice)."""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import START
from readiness_support import Case

from monitord.model.readiness.verdict import Criterion, Reason
from monitord.model.series import Array


def known(case: Case, value: float, *missing: slice) -> Array:
    """A value by hour with hours of which nothing is known."""
    series = np.full(round(24 * case.days), value)
    for part in missing:
        series[part] = np.nan
    return series


@pytest.mark.parametrize(("missing_h", "reason"), [(5, Reason.MET), (7, Reason.SILENT)])
def test_a_position_is_silent_after_six_hours(missing_h: int, reason: Reason) -> None:
    case = Case()
    case.humidity["s1"] = known(case, 74.0, slice(-missing_h, None))
    assert case.value(Criterion.PROBE, "s1").reason is reason


@pytest.mark.parametrize(("missing_h", "reason"), [(5, Reason.MET), (7, Reason.ROOM_UNKNOWN)])
def test_a_room_is_not_known_after_six_hours(missing_h: int, reason: Reason) -> None:
    case = Case()
    case.temperature["room"] = known(case, 20.0, slice(-missing_h, None))
    assert case.value(Criterion.SERVICE, "room").reason is reason


@pytest.mark.parametrize(("heard_h", "told"), [(2, False), (3, True)])
def test_a_mean_over_six_hours_needs_three_of_them(heard_h: int, told: bool) -> None:
    case = Case()
    case.humidity["s1"] = known(case, 74.0, slice(-12, -heard_h))
    assert (case.value(Criterion.LIMIT, "s1").measured is not None) is told


def test_the_change_in_a_day_is_that_of_means_over_half_days() -> None:
    """A rise of 1 % nine hours ago lies in three quarters of the last twelve."""
    case = Case()
    case.humidity["s1"] = np.where(case.hours() < case.hours()[-1] - 8.5, 74.0, 75.0)
    value = case.value(Criterion.EQUILIBRATION, "s1")
    assert value.reason is Reason.STILL_MOVES
    assert value.measured is not None
    assert value.measured.value == pytest.approx(0.75)


@pytest.mark.parametrize(("gap_h", "reason"), [(3, Reason.MET), (4, Reason.SERVICE_RUNS)])
def test_three_hours_without_readings_do_not_break_the_time_in_service(gap_h: int, reason: Reason) -> None:
    case = Case()
    case.temperature["room"] = known(case, 20.0, slice(-30, -30 + gap_h))
    assert case.value(Criterion.SERVICE, "room").reason is reason


@pytest.mark.parametrize(("u", "value", "reason"), [
    (0.2, 78.80, Reason.MET),  # 80 less 2 x 0.58, however well the probe is known
    (0.2, 78.88, Reason.WITHIN_GUARD_BAND),
    (0.8, 78.36, Reason.MET),
    (0.8, 78.44, Reason.WITHIN_GUARD_BAND),
])  # fmt: skip
def test_a_sealed_position_is_known_no_better_than_its_seal_lets_it(u: float, value: float, reason: Reason) -> None:
    case = Case()
    case.u = u
    case.humidity["s1"] = value
    found = case.value(Criterion.LIMIT, "s1")
    assert found.reason is reason
    assert found.measured is not None
    assert found.measured.u == max(u, 0.58)


def test_a_position_that_is_not_sealed_has_the_uncertainty_of_its_probe() -> None:
    case = Case()
    case.u = 0.2
    case.document["locations"].append(
        {"id": "wall", "kind": "cavity", "reference": "room", "goal": {"metric": "rh_pct", "limit": 80.0}}
    )
    case.document["probes"].append({"id": "p-wall", "location_id": "wall", "from": START.isoformat()})
    case.humidity["wall"], case.temperature["wall"], case.wet["wall"] = 70.0, 20.0, 0.0
    decisive = next(r for r in case.evaluate("wall").results if r.criterion is Criterion.LIMIT).decisive
    assert decisive.measured is not None
    assert decisive.measured.u == 0.2
