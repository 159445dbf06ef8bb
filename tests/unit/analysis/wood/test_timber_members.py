"""Timber measured by hand: what spot readings tell of its level, its lag and its own curve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitord.analysis.series.hourly_series import TimberSpot
from monitord.analysis.wood import members as module
from monitord.analysis.wood.members import TimberMembers, spot_covariance, timber_members
from monitord.model.series import Array

HOURS = 24 * 40
END_S = 3600.0 * HOURS
AIR = 13.0 + 2.0 * np.exp(-np.arange(HOURS) / 240.0) + 0.5 * np.sin(np.arange(HOURS) / 24.0)
"""Equilibrium value of the air beside it, by hour. [% of dry mass]"""


def course(factor: float, start: float, lag_d: float) -> Array:
    """M' = (f·E − M)/lag from the start on, exact over each hour, (hours + 1,)."""
    keep, levels = np.exp(-1.0 / (24.0 * lag_d)), [start]
    for value in AIR:
        levels.append(factor * value + keep * (levels[-1] - factor * value))
    return np.array(levels)


def at(day: float, value: float, u: float, meter: str = "pins") -> tuple[int, TimberSpot]:
    """A spot reading on a day."""
    return round(24 * day), TimberSpot(86_400.0 * day, value, u, meter)


def weighed(*spots: tuple[int, TimberSpot], lag_days: float = 14.0) -> TimberMembers:
    found = timber_members(AIR, lag_days, spots, END_S, 120)
    assert found is not None
    return found


def test_the_members_are_the_posterior_of_the_normal_equations(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the lag known, level = f·L + M0·k is linear: the posterior by generalised least squares (Aitken 1935) with
    f ~ N(1.15, 0.14²), the start flat within its range, and errors of which three quarters of the variance is shared
    and that stray by 0.02 (% MC)² a day."""
    monkeypatch.setattr(module, "WOOD", replace(module.WOOD, lag_log_sd=0.0, lag_share=1.0))
    days, u = np.array([5.0, 12.0, 19.0, 26.0]), 1.2
    lagged, kept = course(1.0, 0.0, 12.0), course(0.0, 1.0, 12.0)
    truth = 1.3 * lagged + 24.0 * kept
    off = np.array([0.6, 1.1, 0.5, 1.2])
    spots = [at(day, float(truth[round(24 * day)] + e), u) for day, e in zip(days, off, strict=True)]
    found = weighed(*spots, lag_days=12.0)
    index = np.round(24 * days).astype(int)
    design = np.stack([lagged[index], kept[index]], axis=1)
    ago = 40.0 - days
    covariance = 0.75 * u**2 + 0.25 * u**2 * np.eye(4) + 0.02 * np.minimum.outer(ago, ago)
    precision = design.T @ np.linalg.solve(covariance, design) + np.diag([0.14**-2, 0.0])
    measured = np.array([spot.moisture_content_pct for _, spot in spots])
    right = design.T @ np.linalg.solve(covariance, measured) + np.array([1.15 / 0.14**2, 0.0])
    mean, spread = np.linalg.solve(precision, right), np.linalg.inv(precision)
    for hour in (index[0], index[-1], HOURS):
        row = np.array([lagged[hour], kept[hour]])
        assert found.middle[hour - 1] == pytest.approx(row @ mean, abs=0.04)
        assert found.u[hour - 1] == pytest.approx(np.sqrt(row @ spread @ row), rel=0.04)
    assert found.weight @ found.factor == pytest.approx(mean[0], abs=0.005)
    assert found.weight @ found.level == pytest.approx(found.middle[-1])
    assert found.u_rate == pytest.approx(
        np.sqrt((step := np.array([lagged[-1] - lagged[-121], kept[-1] - kept[-121]]) / 5.0) @ spread @ step), rel=0.05
    )


def test_what_all_readings_of_a_meter_share_is_not_averaged_away() -> None:
    """Twelve readings to 1 % of dry mass, of which 0.87 % is shared; from two meters that is 0.61."""
    truth = course(1.15, 25.0, 21.0)
    days = np.arange(5.0, 40.0, 3.0)
    one = weighed(*(at(day, float(truth[round(24 * day)]), 1.0) for day in days))
    two = weighed(*(at(day, float(truth[round(24 * day)]), 1.0, "ab"[n % 2]) for n, day in enumerate(days)))
    assert 0.6 < two.u[-1] < 0.85 * one.u[-1] < 0.85
    assert one.middle[-1] == pytest.approx(truth[-1], abs=0.4)


def test_readings_a_week_apart_tell_quick_timber_from_slow() -> None:
    lags = {}
    for lag_d in (6.0, 14.0, 50.0):
        truth = course(1.15, 27.0, lag_d)
        found = weighed(*(at(day, float(truth[round(24 * day)]), 0.6) for day in (2.0, 9.0, 16.0)))
        lags[lag_d] = float(np.exp(found.weight @ np.log(found.lag_d)))
        assert found.rate == pytest.approx((truth[-1] - truth[-121]) / 5.0, abs=2.0 * found.u_rate)
    assert lags[6.0] < 9.0 < lags[14.0] < 25.0 < lags[50.0]


def test_a_reading_that_nothing_before_it_explains_begins_a_new_course() -> None:
    """Timber fell to 17 % and is read at 27 % a week later, where the meter is known to 1 %: water came."""
    truth = course(1.1, 24.0, 14.0)
    dry = [at(day, float(truth[round(24 * day)]), 1.0) for day in (3.0, 10.0, 17.0)]
    wet = weighed(*dry, at(39.0, 27.0, 1.0))
    assert wet.first == 24 * 39
    assert np.isnan(wet.middle[: wet.first]).all()
    assert wet.middle[-1] == pytest.approx(27.0, abs=1.0)  # a day later
    assert weighed(*dry, at(39.0, float(truth[24 * 39]) + 1.5, 1.0)).first == 0


def test_without_a_reading_there_are_no_members() -> None:
    assert timber_members(AIR, 14.0, (), END_S, 120) is None


def test_whether_a_reading_is_explained_does_not_change_with_time_alone() -> None:
    """A reading 4.05 standard deviations off begins a new course, half a year later as on its day."""
    truth = 13.0 + 9.0 * np.exp(-np.arange(24 * 27) / 24.0 / 30.0)
    spots = [at(day, float(truth[round(24 * day)]), 2.0) for day in (5.0, 12.0, 19.0)]
    spots.append(at(26.0, float(truth[24 * 26]) + 6.2, 2.0))
    for days in (26, 200):
        found = timber_members(np.full(24 * days, 13.0), 14.0, spots, 86_400.0 * days, 120)
        assert found is not None
        assert found.first == 24 * 26


def test_no_reading_is_surer_of_a_joist_than_two_places_of_it_differ() -> None:
    """A meter of 0.1 % MC: 0.75 of its variance shared, and 0.3 % MC of the place for the rest (our choice)."""
    _, spot = at(3.0, 20.0, 0.1)
    assert spot_covariance([spot], spot.time_s) == pytest.approx(np.array([[0.75 * 0.1**2 + 0.3**2]]))
