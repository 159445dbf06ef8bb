"""What a check of a probe gains, against the closed form of Gaussian levels.

A level known to s, measured once more with standard uncertainty c, is known to s c / sqrt(s² + c²) (product of two
normal densities, JCGM 101:2008 or any textbook). Where all fall by the same rate, the date's interval shrinks alike.
"""

from __future__ import annotations

import numpy as np
import pytest
from futures import TIME_D, falling, level
from scipy.special import ndtr, ndtri

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.queries.check_gain import check_gain
from monitord.analysis.slabs.posterior.queries.date import goal_date

N = 2000
LEVELS = ndtri((np.arange(N) + 0.5) / N)


def straight(middle_pct: float, sd_pct: float, rate_pct_day: float = 0.1) -> Outlook:
    """Futures that fall by the same rate from levels spread normally, under a probe that reads their middle."""
    now = middle_pct + sd_pct * LEVELS
    return Outlook(TIME_D, now[:, None] - rate_pct_day * TIME_D, now, middle_pct - now, np.zeros(N, dtype=bool))


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


@pytest.mark.parametrize(("sd", "check"), [(1.0, 0.5), (1.0, 1.0), (0.5, 0.5)])
def test_the_interval_shrinks_as_two_measurements_of_one_level(sd: float, check: float) -> None:
    found = check_gain(straight(85.0, sd), 80.0, check, rng())
    assert found is not None
    assert found.interval_d == pytest.approx(2.0 * 1.2816 * sd / 0.1, rel=0.02)
    after = sd * check / np.hypot(sd, check)
    assert found.checked_interval_d == pytest.approx(2.0 * 1.2816 * after / 0.1, rel=0.05)


def test_whether_it_is_at_its_goal_is_settled_as_often_as_the_closed_form_says() -> None:
    """At the limit with s = 1: a check with c = 0.5 gives a mean m ~ N(0, s²/sqrt(s²+c²)) and s' = 0.447.

    It settles where |m| > 1.036 s' (85 %); so in 2 (1 - Phi(1.036 * 0.447 / 0.894)) = 60 % of cases.
    """
    found = check_gain(straight(80.0, 1.0), 80.0, 0.5, rng())
    assert found is not None
    left, moved = 1.0 / np.sqrt(5.0), 2.0 / np.sqrt(5.0)
    assert found.settles_probability == pytest.approx(2.0 * (1.0 - ndtr(1.0364 * left / moved)), abs=0.03)


def test_where_the_level_is_known_a_check_gains_nothing() -> None:
    found = check_gain(straight(85.0, 0.05), 80.0, 0.5, rng())
    assert found is not None
    assert found.checked_interval_d == pytest.approx(found.interval_d, rel=0.05)


def test_where_nothing_was_read_or_nothing_arrives_no_gain_is_claimed() -> None:
    assert check_gain(falling(level(90.0), level(60.0), 30.0), 80.0, 0.5, rng()) is None
    never = check_gain(falling(level(90.0), level(85.0), 30.0, read_pct=90.0), 80.0, 0.5, rng())
    assert never is not None
    assert np.isnan([never.interval_d, never.checked_interval_d]).all()
    assert never.settles_probability == 1.0


def test_the_span_is_that_of_the_date_which_counts_only_what_is_still_to_come() -> None:
    futures = straight(79.5, 1.0)  # most of them are at the goal already
    found, date = check_gain(futures, 80.0, 0.5, rng()), goal_date(futures, 80.0, 0.0)
    assert found is not None
    assert date is not None
    assert found.interval_d == pytest.approx(date.high_d - date.low_d, rel=0.01)
