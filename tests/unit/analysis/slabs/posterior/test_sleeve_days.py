"""A sleeve's record by day: which hours count, what is held over gaps, what a row rests on."""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import ROOM, SLEEVE, START_S, blanked, location, noise, track, until

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.slabs.posterior.forward_model import grid_of
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays, day_phase_h, slab_grid, sleeve_days
from monitord.model.series import HOUR_S

DAYS = 20.0
N = round(24 * DAYS)


def references(rh: float = 45.0) -> ReferenceSeries:
    inside = track(location(ROOM), 21.0, rh, DAYS)
    return ReferenceSeries(inside, inside, None)


def sleeve(rh: float | np.ndarray = 90.0) -> HourlySeries:  # type: ignore[type-arg]
    return track(location(SLEEVE), 20.0, rh, DAYS)


def built(series: HourlySeries, airs: ReferenceSeries | None = None, sealed_h: float = 0.0) -> SleeveDays:
    days = sleeve_days(series, airs or references(), START_S + HOUR_S * sealed_h)
    assert days is not None
    return days


def test_days_end_at_the_locations_own_hour_and_are_whole() -> None:
    days = built(sleeve())
    phase = day_phase_h(location(SLEEVE))
    assert set((days.end_s / HOUR_S) % 24) == {phase}
    assert phase in (0, 6, 12, 18)
    assert np.diff(days.end_s) == pytest.approx(86_400.0)
    assert {day_phase_h(location(SLEEVE, id=f"s{k}")) for k in range(30)} == {0, 6, 12, 18}


def test_day_means_count_from_half_a_day_after_sealing() -> None:
    phase = day_phase_h(location(SLEEVE))
    for after, counts in ((11.0, False), (13.0, True)):
        days = built(sleeve(), sealed_h=phase + 24.0 - after)
        first = int(np.flatnonzero(days.since_sealed_h >= 0.0)[0])
        assert days.since_sealed_h[first] == pytest.approx(after)
        assert np.isfinite(days.reading_pct[first]) == counts


def test_no_more_than_two_weeks_of_air_before_sealing_are_marched_through() -> None:
    days = built(sleeve(), sealed_h=24.0 * 18)
    assert days.since_sealed_h[0] >= -14.0 * 24.0
    assert days.since_sealed_h[0] < -13.0 * 24.0


def test_a_day_needs_half_of_its_hours() -> None:
    phase = day_phase_h(location(SLEEVE))
    begin = phase + 24 * 5
    for gone, counts in ((12, True), (13, False)):
        days = built(blanked(sleeve(), begin, begin + gone))
        at = int(np.flatnonzero(days.end_s == START_S + HOUR_S * (begin + 24))[0])
        assert np.isfinite(days.reading_pct[at]) == counts


def test_a_sleeve_that_was_opened_counts_again_three_days_later() -> None:
    rh = np.full(N, 90.0)
    rh[241:243] = 50.0
    rh[243:] = 90.0 - 20.0 * np.exp(-np.arange(N - 243) / 5.0)
    days = built(sleeve(rh))
    out = days.end_s[np.isnan(days.reading_pct) & (days.since_sealed_h > 24.0)]
    opened = START_S + HOUR_S * 242
    # every day that overlaps the 8 h before and the 72 h after
    for end in days.end_s[days.since_sealed_h > 24.0]:
        overlaps = end > opened - 8 * HOUR_S and end - 86_400.0 < opened + 72 * HOUR_S
        assert (end in out) == overlaps


@pytest.mark.parametrize(("hours", "out"), [(7, True), (9, False)])
def test_of_a_sleeve_that_was_opened_the_eight_hours_before_do_not_count(hours: int, out: bool) -> None:
    """The day ends that long before the first hour that shows it."""
    end = day_phase_h(location(SLEEVE)) + 24 * 9
    rh = np.full(N, 90.0)
    at = end + hours - 1
    rh[at:] = 90.0 - 20.0 * np.exp(-np.arange(N - at) / 5.0)
    rh[at : at + 2] = 50.0
    days = built(sleeve(rh))
    last = int(np.flatnonzero(days.end_s == START_S + HOUR_S * end)[0])
    assert np.isnan(days.reading_pct[last]) == out


@pytest.mark.parametrize(("fall", "out"), [(3.9, False), (4.4, True)])
def test_a_fall_of_four_percent_in_a_day_is_a_sleeve_that_stands_open(fall: float, out: bool) -> None:
    """Slowly enough for no jump between two hours."""
    phase = day_phase_h(location(SLEEVE))
    at = phase + 24 * 8
    rh = np.full(N, 90.0)
    rh[at:] -= fall
    rh[at - 2 : at] -= fall * np.array([1, 2]) / 3.0
    quiet = built(sleeve(rh), ReferenceSeries(None, None, None))
    k = int(np.flatnonzero(quiet.end_s == START_S + HOUR_S * (at + 24))[0])
    assert np.isnan(quiet.reading_pct[k]) == out


def test_air_at_the_ends_of_the_scale_is_left_out_and_the_last_value_held() -> None:
    wet = np.full(N, 45.0)
    for bad in (1.9, 99.6):
        wet[200:260] = bad
        inside = track(location(ROOM), 21.0, wet, DAYS)
        days = built(sleeve(), ReferenceSeries(inside, inside, None))
        assert days.vapour_pressure_pa == pytest.approx(days.vapour_pressure_pa[0, 0])
    for good in (2.1, 99.4):
        wet[200:260] = good
        inside = track(location(ROOM), 21.0, wet, DAYS)
        assert np.ptp(built(sleeve(), ReferenceSeries(inside, inside, None)).vapour_pressure_pa) > 100.0


def test_without_any_air_the_temperature_is_the_sleeves_and_the_vapour_unknown() -> None:
    days = built(sleeve(), ReferenceSeries(None, None, None))
    assert np.isnan(days.vapour_pressure_pa).all()
    assert days.room_c == pytest.approx(20.0)
    assert days.u_air_pct == 0.0


def test_a_temperature_that_was_never_read_is_eighteen_degrees() -> None:
    series = sleeve()
    series.temperature_c[:] = np.nan
    days = built(series, ReferenceSeries(None, None, None))
    assert days.sleeve_c == pytest.approx(18.0)


def test_rows_of_past_days_do_not_change_with_later_hours() -> None:
    rh = 90.0 - 0.1 * np.arange(N) / 24.0 + noise(N, 0.1)
    whole, part = (
        built(sleeve(rh)),
        built(
            until(sleeve(rh), 240),
            ReferenceSeries(*(until(a, 240) for a in (references().air, references().room) if a), None),
        ),
    )
    assert np.array_equal(whole.rows[: len(part)], part.rows, equal_nan=True)


def test_an_unknown_thickness_is_two_and_a_half_depths_and_an_unknown_depth_forty_millimetres() -> None:
    bare = location(SLEEVE, depth_mm=30.0, slab_thickness_mm=None)
    assert slab_grid(bare).thickness_m == pytest.approx(0.075)
    nothing = location(SLEEVE, depth_mm=None, slab_thickness_mm=None)
    assert slab_grid(nothing).thickness_m == pytest.approx(0.1)
    two = location(SLEEVE, depth_mm=80.0, slab_thickness_mm=100.0, drying_sides=2)
    grid = slab_grid(two)
    assert grid.thickness_m == pytest.approx(0.05)
    depth = grid.depth_m[grid.upper] + grid.part * (grid.depth_m[grid.upper + 1] - grid.depth_m[grid.upper])
    assert depth == pytest.approx(0.02, abs=1e-3)
    with pytest.raises(ValueError, match="give its own depth"):
        grid_of(0.05, 0.06)


def test_each_cell_is_twelve_percent_thicker_than_the_one_over_it() -> None:
    grid = grid_of(0.1, 0.04)
    middles = np.diff(grid.depth_m)
    assert middles[1:] / middles[:-1] == pytest.approx(1.12)
