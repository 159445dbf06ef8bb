"""Values reading by reading: held against a reference library, and never in the way of a faulty probe."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from analysis_series import roll_up
from hypothesis import given
from hypothesis import strategies as st

from monitord.analysis.surfaces.derived import Derived, derived_hours, derived_series, joined
from monitord.model.jobs import Calibration, JobFile, Location, LocationKind, Placement
from monitord.model.series import Array, Series

START = datetime(2026, 11, 4, tzinfo=UTC)


def job_at(elevation_m: float = 0.0, calibrations: tuple[Calibration, ...] = ()) -> tuple[JobFile, Placement]:
    placement = Placement(probe="k7-01", location_id="cavity", from_time=START)
    job = JobFile(
        job="j",
        start=START,
        elevation_m=elevation_m,
        locations=(Location(id="cavity", kind=LocationKind.CAVITY),),
        probes=(placement,),
        calibrations=calibrations,
    )
    return job, placement


def series_of(t: Array, rh: Array, step_s: float = 600.0) -> Series:
    time_s = START.timestamp() + step_s * np.arange(len(t), dtype=np.float64)
    missing = np.full(len(t), np.nan)
    return Series(time_s, np.asarray(t, float), np.asarray(rh, float), missing, missing, time_s)


@pytest.mark.parametrize(
    ("t", "rh", "elevation", "vapour_pressure", "dew_point", "ratio"),
    [
        (20.0, 50.0, 0.0, 1169.40, 9.272, 7.2617),
        (8.1, 88.0, 600.0, 950.55, 6.235, 6.3316),
        (30.0, 95.0, 1500.0, 4033.73, 29.109, 31.1561),
    ],
)
def test_the_air_of_a_reading_is_what_psychrolib_gives(
    t: float, rh: float, elevation: float, vapour_pressure: float, dew_point: float, ratio: float
) -> None:
    # written down from psychrolib 2.5.0 (ASHRAE 2017 ch. 1); its dew point iterates to 0.001 K, and both round the
    # ratio of the molar masses
    job, placement = job_at(elevation)
    found = derived_series(series_of(np.array([t]), np.array([rh])), placement, job)
    assert found.vapour_pressure_pa[0] == pytest.approx(vapour_pressure, rel=1e-4)
    assert found.dew_point_c[0] == pytest.approx(dew_point, abs=0.01)
    assert found.humidity_ratio_g_kg[0] == pytest.approx(ratio, rel=5e-4)


def test_a_calibration_is_applied_from_its_time_on() -> None:
    check = Calibration(
        probe="k7-01", at=datetime.fromtimestamp(START.timestamp() + 900, UTC), relative_humidity_correction_pct=2.0
    )
    job, placement = job_at(calibrations=(check,))
    found = derived_series(series_of(np.full(3, 20.0), np.full(3, 60.0)), placement, job)
    assert found.relative_humidity_pct.tolist() == [60.0, 60.0, 62.0]
    assert found.vapour_pressure_pa[2] == pytest.approx(found.vapour_pressure_pa[0] * 62 / 60)


@given(
    st.lists(
        st.tuples(st.floats(allow_infinity=False, allow_nan=False), st.floats(allow_infinity=False, allow_nan=False)),
        min_size=1,
        max_size=30,
    )
)
def test_no_reading_however_wrong_stops_a_chart(values: list[tuple[float, float]]) -> None:
    job, placement = job_at()
    t, rh = np.array(values, dtype=float).T
    found = derived_series(series_of(t, rh), placement, job)
    good = (t >= -50) & (t <= 60) & (rh >= 0.1) & (rh <= 105)
    assert np.isfinite(found.dew_point_c[good]).all()
    assert np.isnan(found.vapour_pressure_pa[(rh > 105) | (rh < 0)]).all()


def test_long_spans_go_by_hourly_medians_in_the_middle_of_the_hour() -> None:
    job, placement = job_at()
    raw = series_of(np.full(12, 20.0), np.r_[np.full(5, 70.0), 99.0, np.full(6, 72.0)])
    found = derived_hours(roll_up(raw), placement, job)
    assert (found.time_s - START.timestamp()).tolist() == [1800.0, 5400.0]
    assert found.relative_humidity_pct.tolist() == [70.0, 72.0]


def test_two_stays_are_kept_apart_by_a_missing_value() -> None:
    job, placement = job_at()
    one = derived_series(series_of(np.full(2, 20.0), np.full(2, 60.0)), placement, job)
    both = joined([one, Derived(), one])
    assert np.isnan(both.relative_humidity_pct).tolist() == [False, False, True, False, False]
    assert len(joined([])) == 0
