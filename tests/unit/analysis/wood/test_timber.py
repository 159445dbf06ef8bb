"""Timber from the air beside it: a first-order lag of the air's equilibrium value, with a start that nobody measured.

Equilibrium values: Wood Handbook (FPL-GTR-282), Table 4-2 and eq. 4-5. The lag of two weeks is common practice.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.wood.timber import FIBRE_SATURATION_PCT, TimberEstimate, estimate_timber
from monitord.model.series import Array

LAG_D = 14.0


def at(rh: Array, t: float = 21.1, lag_d: float = LAG_D) -> TimberEstimate:
    found = estimate_timber(np.full(len(rh), t), rh, lag_d)
    assert found is not None
    return found


def days(n: float) -> int:
    return round(24 * n)


@pytest.mark.parametrize(("rh", "table"), [(50.0, 9.2), (65.0, 12.0), (80.0, 16.0), (85.0, 17.9), (90.0, 20.5)])
def test_steady_air_holds_timber_at_the_tables_value(rh: float, table: float) -> None:
    """Table 4-2 at 70 °F; the equation keeps within 0.06 %MC of the table up to 85 %RH and rounds to it at 90."""
    found = at(np.full(days(120), rh))
    for estimate in (found.low, found.middle, found.high, found.equilibrium):
        assert estimate[-1] == pytest.approx(table, abs=0.07)


@pytest.mark.parametrize("day", [1.0, 7.0, 14.0, 28.0])
def test_it_starts_between_the_airs_value_and_fibre_saturation_and_the_range_fades_with_the_lag(day: float) -> None:
    found = at(np.full(days(40), 65.0))
    hour = days(day)
    assert found.low[hour - 1] == pytest.approx(12.0, abs=0.06)
    assert found.high[hour - 1] == pytest.approx(12.0 + 18.0 * np.exp(-day / LAG_D), abs=0.06)
    assert found.middle[hour - 1] == pytest.approx(0.5 * (found.low[hour - 1] + found.high[hour - 1]))


@pytest.mark.parametrize("day", [3.0, 14.0, 30.0])
def test_after_a_step_of_the_air_timber_follows_as_an_exponential(day: float) -> None:
    """1 − exp(−t/τ): 63.2 % of the way after one time constant."""
    rh = np.r_[np.full(days(100), 80.0), np.full(days(40), 50.0)]
    found = at(rh)
    gone = 1.0 - np.exp(-day / LAG_D)
    assert found.middle[days(100 + day) - 1] == pytest.approx(16.0 - gone * 6.8, abs=0.12)


def test_timber_that_starts_wetter_than_fibre_saturation_is_not_dried_by_assumption() -> None:
    found = at(np.full(days(10), 98.0), t=10.0)
    assert found.equilibrium[0] < FIBRE_SATURATION_PCT
    assert found.high[0] > 29.9
    assert (found.high >= found.low).all()


def test_hours_that_were_not_heard_leave_the_air_as_it_was() -> None:
    rh = np.full(days(30), 65.0)
    gappy = rh.copy()
    gappy[days(8) : days(10)] = np.nan
    whole, holed = at(rh), at(gappy)
    assert holed.middle == pytest.approx(whole.middle)
    assert np.isnan(holed.equilibrium[days(8) : days(10)]).all()


@pytest.mark.parametrize("known", [0, 11])
def test_with_less_than_half_a_day_nothing_is_estimated(known: int) -> None:
    rh = np.full(60, np.nan)
    rh[10 : 10 + known] = 70.0
    assert estimate_timber(np.full(60, 20.0), rh, LAG_D) is None


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(5.0, 100.0), min_size=15, max_size=15), st.floats(-15.0, 45.0), st.floats(2.0, 40.0))
def test_the_estimate_stays_in_its_range_and_frost_or_saturation_breaks_nothing(
    daily_rh: list[float], t: float, lag_d: float
) -> None:
    found = at(np.repeat(daily_rh, 24), t, lag_d)
    minimum, maximum = (
        np.minimum.accumulate(found.equilibrium),
        max(FIBRE_SATURATION_PCT, float(found.equilibrium.max())),
    )
    assert np.isfinite(found.middle).all()
    assert (found.low >= minimum.min() - 1e-9).all()
    assert (found.high <= maximum + 1e-9).all()
    assert (np.diff(found.high - found.low) <= 1e-9).all()
