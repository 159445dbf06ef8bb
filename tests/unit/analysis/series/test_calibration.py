"""Calibrations and accuracies, applied on the way out: which holds when, and that raw stays raw."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from analysis_series import roll_up
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.series.calibration import corrected_hourly, corrected_series, uncertainty_of
from monitord.model.jobs import Accuracy, Calibration, Placement
from monitord.model.series import Series

START = datetime(2026, 3, 2, tzinfo=UTC)
PLACEMENT = Placement(
    probe="k7-1",
    location_id="wall",
    from_time=START,
    accuracy=Accuracy(temperature_c=0.3, relative_humidity_pct=3.0),
)


def check(
    hours: float, dt: float = 0.0, drh: float = 0.0, probe: str = "k7-1", limit: float | None = None
) -> Calibration:
    accuracy = None if limit is None else Accuracy(temperature_c=0.2, relative_humidity_pct=limit)
    return Calibration(
        probe=probe,
        at=START + timedelta(hours=hours),
        temperature_correction_c=dt,
        relative_humidity_correction_pct=drh,
        accuracy=accuracy,
    )


def series(n: int = 48, step_s: float = 900.0) -> Series:
    time_s = START.timestamp() + step_s * np.arange(n)
    nothing = np.full(n, np.nan)
    return Series(time_s, np.linspace(10, 20, n), np.linspace(60, 80, n), nothing, nothing, time_s)


def test_a_makers_limit_is_taken_as_rectangular() -> None:
    # JCGM 100:2008, 4.3.7: ±2 %RH is u = 1.15
    found = uncertainty_of(Placement(probe="p", location_id="x", from_time=START), (), START.timestamp())
    assert found.relative_humidity_pct == pytest.approx(1.1547, abs=1e-4)
    assert found.temperature_k == pytest.approx(0.1732, abs=1e-4)


def test_the_last_check_of_this_probe_with_an_accuracy_holds() -> None:
    checks = (check(24, limit=1.0), check(2, limit=5.0), check(30), check(3, probe="other", limit=0.1))
    for hours, limit in ((1, 3.0), (2, 5.0), (23.9, 5.0), (24, 1.0), (40, 1.0)):
        at = (START + timedelta(hours=hours)).timestamp()
        assert uncertainty_of(PLACEMENT, checks, at).relative_humidity_pct == pytest.approx(limit / np.sqrt(3.0))


def test_corrections_hold_from_their_check_on_and_replace_each_other() -> None:
    raw = series()
    found = corrected_series(
        raw, PLACEMENT, (check(8, drh=-5.0), check(4, dt=0.5, drh=2.0), check(1, drh=9.0, probe="other"))
    )
    hours = (raw.time_s - START.timestamp()) / 3600.0
    expected = np.where(hours < 4, 0.0, np.where(hours < 8, 2.0, -5.0))
    assert found.relative_humidity_pct - raw.relative_humidity_pct == pytest.approx(expected)
    assert found.temperature_c - raw.temperature_c == pytest.approx(np.where((hours >= 4) & (hours < 8), 0.5, 0.0))


def test_raw_readings_stay_as_they_were() -> None:
    raw = series()
    before = raw.relative_humidity_pct.copy()
    corrected_series(raw, PLACEMENT, (check(0, drh=5.0),))
    corrected_hourly(roll_up(raw), PLACEMENT, (check(0, drh=5.0),))
    assert raw.relative_humidity_pct.tolist() == before.tolist()


def test_without_a_check_of_this_probe_nothing_is_copied() -> None:
    raw = series()
    assert corrected_series(raw, PLACEMENT, (check(0, drh=5.0, probe="other"),)) is raw


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 12), st.floats(-3, 3), st.floats(-9, 9)), max_size=4), st.integers(1, 60))
def test_rolling_up_and_correcting_come_to_the_same(checks: list[tuple[int, float, float]], n: int) -> None:
    """Checks at full hours: an offset passes through medians and extremes unchanged."""
    calibrations = tuple(check(*one) for one in checks)
    one = roll_up(corrected_series(series(n), PLACEMENT, calibrations))
    other = corrected_hourly(roll_up(series(n)), PLACEMENT, calibrations)
    for name in ("temperature_c", "relative_humidity_pct", "relative_humidity_min_pct", "temperature_max_c", "count"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-9)
