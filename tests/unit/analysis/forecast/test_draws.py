"""The fixed draws of forecasts: normal, and independent of each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest, qmc

from monitord.analysis.forecast.even_shares import even_shares
from monitord.analysis.forecast.first_order_fit import Draw, normal_draws
from monitord.analysis.forecast.parameters import FORECAST


def test_every_column_is_standard_normal() -> None:
    draws = normal_draws()
    assert draws.shape == (24, len(Draw))
    for column in draws.T:
        # the middles of 24 equal shares: no empirical step is further than half a share from the normal distribution
        assert kstest(column, "norm").statistic == pytest.approx(1 / 48, abs=1e-9)
        assert column.mean() == pytest.approx(0.0, abs=1e-9)


def test_no_two_columns_go_together() -> None:
    # random draws of 24 correlate by 1/sqrt(24) = 0.20; of 15 pairs of columns the worst would by 0.4
    correlation = np.corrcoef(normal_draws().T) - np.eye(len(Draw))
    assert np.abs(correlation).max() < 0.15


@pytest.mark.parametrize(("n", "columns"), [(24, len(Draw)), (FORECAST.pace_draws, 2)])
def test_the_tables_are_what_scipy_finds(n: int, columns: int) -> None:
    found = qmc.LatinHypercube(columns, scramble=False, optimization="random-cd", rng=0).random(n)
    assert (even_shares(n) == found).all()
