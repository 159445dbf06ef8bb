"""A location as one hourly series: whichever probe stood there, settled, calibrated, without what is out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import psychrolib
import pytest
from analysis_series import roll_up

from monitord.analysis.series.hourly_series import HourlySeries, Masks, build_hourly_series, placement_key
from monitord.model.jobs import Accuracy, Calibration, Location, LocationKind, Placement
from monitord.model.series import HOUR_S, PlacementRecord, Series

START = datetime(2026, 3, 2, tzinfo=UTC)
START_S = START.timestamp()
WALL = Location(id="wall", kind=LocationKind.CAVITY)
SLEEVE = Location(id="wall", kind=LocationKind.SLAB_SLEEVE, depth_mm=40.0)

psychrolib.SetUnitSystem(psychrolib.SI)


def placement(
    probe: str, first_h: float, hours: int, rh: float = 60.0, t: float = 15.0, limit: float = 2.0, minutes: float = 0.0
) -> PlacementRecord:
    begin = START + timedelta(hours=first_h, minutes=minutes)
    time_s = begin.timestamp() + 600.0 * np.arange(6 * hours)
    nothing = np.full(len(time_s), np.nan)
    series = Series(time_s, np.full(len(time_s), t), np.full(len(time_s), rh), nothing, nothing, time_s)
    accuracy = Accuracy(relative_humidity_pct=limit)
    placement = Placement(
        probe=probe, location_id="wall", from_time=begin, to_time=begin + timedelta(hours=hours), accuracy=accuracy
    )
    return PlacementRecord(placement, series, roll_up(series), None)


def built(
    *placements: PlacementRecord,
    hours: float = 12.0,
    location: Location = WALL,
    masks: Masks | None = None,
    checks: tuple[Calibration, ...] = (),
) -> HourlySeries:
    return build_hourly_series(location, placements, checks, masks or {}, START_S, START_S + HOUR_S * hours, 3600.0)


def test_the_grid_runs_from_the_start_to_the_last_complete_hour() -> None:
    found = built(placement("a", 0, 12), hours=7.9)
    assert len(found) == 7
    assert found.hour_s.tolist() == [START_S + HOUR_S * k for k in range(7)]
    assert found.end_s == START_S + 7 * HOUR_S
    assert len(built(hours=-3.0)) == 0


def test_hours_without_readings_are_not_known() -> None:
    found = built(placement("a", 0, 3), placement("b", 8, 4))
    known = np.isfinite(found.relative_humidity_pct)
    assert known.tolist() == [False, True, True, *[False] * 6, True, True, True]  # each settles for an hour
    assert np.isnan(found.vapour_pressure_pa[~known]).all()


def test_a_sleeve_is_shown_from_its_first_whole_hour() -> None:
    found = built(placement("a", 0, 6, minutes=20), location=SLEEVE)
    assert np.flatnonzero(np.isfinite(found.relative_humidity_pct)).tolist() == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("first_b", [0, 5])
def test_where_two_probes_stood_the_surer_one_counts_whichever_came_first(first_b: int) -> None:
    sure, unsure = placement("b", first_b, 12 - first_b, rh=80.0, limit=1.0), placement("a", 0, 12, rh=60.0)
    for order in ((sure, unsure), (unsure, sure)):
        found = built(*order)
        assert found.relative_humidity_pct[first_b + 1 :].tolist() == [80.0] * (11 - first_b)
        assert found.probe == "b"
        assert found.uncertainty.relative_humidity_pct == pytest.approx(1.0 / np.sqrt(3.0))


def test_of_two_that_are_as_sure_the_one_that_stood_first_counts_and_no_step_comes_in() -> None:
    found = built(placement("a", 0, 12, rh=60.0), placement("b", 5, 7, rh=64.0))
    assert found.relative_humidity_pct[1:].tolist() == [60.0] * 11
    assert found.probe == "a"


def test_in_a_sleeve_the_probe_that_came_later_counts_for_it_was_opened_then() -> None:
    found = built(placement("a", 0, 12, rh=60.0), placement("b", 5, 7, rh=64.0), location=SLEEVE)
    assert found.relative_humidity_pct[6:].tolist() == [64.0] * 6


def test_once_the_one_that_counted_has_gone_the_other_takes_over() -> None:
    found = built(placement("a", 0, 6, rh=60.0), placement("b", 0, 12, rh=64.0, limit=3.0))
    assert found.relative_humidity_pct[1:].tolist() == [60.0] * 5 + [64.0] * 6
    assert found.probe == "b"
    assert found.uncertainty.relative_humidity_pct == pytest.approx(3.0 / np.sqrt(3.0))


def test_flagged_hours_are_left_out() -> None:
    one = placement("a", 0, 12)
    mask = np.zeros(len(one.hourly))
    mask[4:6] = 1.0
    found = built(one, masks={placement_key(one): mask})
    assert np.isnan(found.relative_humidity_pct[4:6]).all()
    assert np.isfinite(found.relative_humidity_pct[6:]).all()


def test_vapour_pressure_is_that_of_the_calibrated_values() -> None:
    check = Calibration(probe="a", at=START, relative_humidity_correction_pct=5.0, temperature_correction_c=1.0)
    found = built(placement("a", 0, 12, rh=60.0, t=15.0), checks=(check,))
    # psychrolib 2.5, the same ASHRAE equations: to 1 part in 10 000
    assert found.vapour_pressure_pa[5] == pytest.approx(psychrolib.GetVapPresFromRelHum(16.0, 0.65), rel=1e-4)


def test_the_last_hours_are_the_end_of_the_track() -> None:
    found = built(placement("a", 0, 12))
    late = found.last(4)
    assert late.hour_s.tolist() == found.hour_s[-4:].tolist()
    assert late.end_s == found.end_s
    assert found.last(99) is found


def test_a_humidity_over_105_percent_is_taken_as_105() -> None:
    """A wetted sensor's 120 % would give a vapour pressure that no air of that temperature holds."""
    saturated = psychrolib.GetSatVapPres(15.0)
    assert built(placement("p", 0.0, 6, rh=120.0)).vapour_pressure_pa[3] == pytest.approx(1.05 * saturated, rel=2e-3)
    assert built(placement("p", 0.0, 6, rh=103.0)).vapour_pressure_pa[3] == pytest.approx(1.03 * saturated, rel=2e-3)


def test_before_any_probe_stood_there_the_uncertainty_is_an_ordinary_probes() -> None:
    """± 0.35 K and ± 2 % RH, taken as rectangular (JCGM 100:2008, 4.3.7)."""
    found = built().uncertainty
    assert found.temperature_k == pytest.approx(0.35 / np.sqrt(3.0), rel=0.05)
    assert found.relative_humidity_pct == pytest.approx(2.0 / np.sqrt(3.0), rel=0.05)
