"""Timber that was measured by hand: draws of its lag, its own curve and its start, weighed by the spot readings.

A member is M' = (f·E(t) − M)/lag from M0 on, where E is the equilibrium value of the air beside it, and f what this
wood holds over the table of equilibrium moisture content. Nobody knows the three; each spot reading is the member's
moisture, plus an error that all readings of one meter share (the meter, and how it is set for the kind of wood), plus
one of its own. The shared error is integrated out: it is what limits "at goal". Weights are by the likelihood of all
readings together (importance sampling of fixed, evenly spread draws; Sobol 1967), so lag, curve and start are learned
jointly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ndtri

from monitord.analysis.series.hourly_series import TimberSpot
from monitord.analysis.series.times import DAY_S
from monitord.analysis.wood.parameters import WOOD
from monitord.model.series import Array

Located = Sequence[tuple[int, TimberSpot]]
"""Spot readings, each with the first hour that knows of it, oldest first."""


@dataclass(frozen=True)
class TimberMembers:
    """Members as of the last hour, each (members,), weights summing to 1; and their course by hour, each (n,)."""

    weight: Array
    lag_d: Array
    """[days]"""
    factor: Array
    """What the wood holds over the table of equilibrium moisture content. [-]"""
    level: Array
    """After the last hour. [% of dry mass]"""
    middle: Array
    """Mean by hour; NaN before `first`. [% of dry mass]"""
    u: Array
    """Standard uncertainty by hour. [% of dry mass]"""
    rate: float
    """Mean change over the last days that a rate rests on. [% of dry mass a day]"""
    u_rate: float
    first: int
    """First hour of the course: of the record, or of a reading that nothing before it explains."""


@lru_cache(maxsize=1)
def _draws() -> tuple[Array, Array, Array, Array]:
    """Which lag each member has, the lags as standard normal values, factors alike, and shares of the start's range.

    Source
    ------
    Middles of equal shares; Sobol 1967 by `scipy.stats.qmc`, of three dimensions.
    """
    from scipy.stats import qmc  # half a second, which only timber measured by hand needs

    count = 2**WOOD.members_log2
    shares = qmc.Sobol(3, scramble=False).random(count) + 0.5 / count
    which = np.floor(shares[:, 0] * WOOD.lags).astype(np.intp)
    return which, ndtri((np.arange(WOOD.lags) + 0.5) / WOOD.lags), ndtri(shares[:, 1]), shares[:, 2]


def spot_covariance(spots: Sequence[TimberSpot], end_s: float) -> Array:
    """Covariance of the errors of spot readings as of a time, (spots, spots). [(% of dry mass)²]

    Each has an error of its own; two of one meter share that of the surer one; and timber strays from any member's
    course as a random walk does, so that older readings say less of it: walking back from now, two readings share the
    younger one's part.
    """
    u = np.array([spot.u_pct for spot in spots])
    same = np.array([[a.meter == b.meter for b in spots] for a in spots])
    ago = np.array([max(end_s - spot.time_s, 0.0) / DAY_S for spot in spots])
    shared = (1.0 - WOOD.own_share) * np.minimum.outer(u**2, u**2) * same
    own = np.diag(np.maximum(WOOD.own_share * u**2, WOOD.least_own_u_pct**2))
    return np.asarray(shared + own + WOOD.stray_pct2_day * np.minimum.outer(ago, ago))


def timber_members(
    equilibrium: Array, lag_days: float, spots: Located, end_s: float, rate_h: int
) -> TimberMembers | None:
    """Weigh the members by the spot readings; None without any.

    Parameters
    ----------
    equilibrium : by hour, without gaps, (n,). [% of dry mass]
    lag_days : usual lag of a joist; the median drawn is `lag_share` times it. [days]
    end_s : end of the last hour. [s]
    rate_h : hours that the rate rests on.
    """
    if not spots:
        return None
    lags = WOOD.lag_share * lag_days * np.exp(WOOD.lag_log_sd * _draws()[1])
    found = _Course(equilibrium, lags, 0)
    begin = 0
    for j in range(1, len(spots)):
        if abs(found.surprise(spots[begin : j + 1])) > WOOD.surprise_sd:
            begin = j
            found = _Course(equilibrium, lags, spots[j][0])
    return found.members(spots[begin:], end_s, rate_h)


class _Course:
    """All members from an hour on."""

    def __init__(self, equilibrium: Array, lags_d: Array, first: int) -> None:
        self._which, _, factor, start = _draws()
        self._first, self._n = first, len(equilibrium)
        self._factor = WOOD.factor_mean + WOOD.factor_sd * factor
        least, most = WOOD.start_range_pct
        self._start = least + (most - least) * start
        self._lags = lags_d
        share = -np.expm1(-1.0 / (24.0 * lags_d))
        after = equilibrium[first:]
        self._keep = (1.0 - share)[:, None] ** np.arange(len(after) + 1)
        """What is left of the start after 0, 1, ... hours, (lags, n + 1 − first)."""
        self._lagged = np.zeros((len(lags_d), len(after) + 1))
        for hour, value in enumerate(after.tolist()):
            self._lagged[:, hour + 1] = self._lagged[:, hour] + share * (value - self._lagged[:, hour])

    def levels(self, hour: int) -> Array:
        """Each member when so many hours of the record have passed, (members,). [% of dry mass]"""
        at = max(hour - self._first, 0)
        lagged, kept = (part[self._which, at] for part in (self._lagged, self._keep))
        return np.asarray(self._factor * lagged + self._start * kept)

    def _residuals(self, spots: Located) -> Array:
        return np.array([spot.moisture_content_pct - self.levels(at) for at, spot in spots])

    def weights(self, spots: Located, end_s: float) -> Array:
        """Weights of the members by all readings, (members,)."""
        if not spots:
            return np.full(len(self._which), 1.0 / len(self._which))
        residuals = self._residuals(spots)
        factor = cho_factor(spot_covariance([spot for _, spot in spots], end_s), lower=True)
        misfit = np.einsum("sm,sm->m", residuals, cho_solve(factor, residuals))
        weight = np.exp(-0.5 * (misfit - misfit.min()))
        return np.asarray(weight / weight.sum())

    def surprise(self, spots: Located) -> float:
        """How far the last reading lies off what those before it foretell, as of its time, in standard deviations."""
        before, end_s = spots[:-1], spots[-1][1].time_s
        covariance = spot_covariance([spot for _, spot in spots], end_s)
        weight, residuals = self.weights(before, end_s), self._residuals(spots)
        gain = np.linalg.solve(covariance[:-1, :-1], covariance[:-1, -1])
        off = residuals[-1] - gain @ residuals[:-1]
        own = float(covariance[-1, -1] - gain @ covariance[:-1, -1])
        mean = float(weight @ off)
        return mean / float(np.sqrt(weight @ (off - mean) ** 2 + own))

    def members(self, spots: Located, end_s: float, rate_h: int) -> TimberMembers:
        weight = self.weights(spots, end_s)
        count = len(self._lags)

        def per_lag(values: Array) -> Array:
            return np.asarray(np.bincount(self._which, weight * values, count)[:, None], dtype=np.float64)

        f, m = self._factor, self._start
        middle = (per_lag(f) * self._lagged + per_lag(m) * self._keep).sum(axis=0)
        square = per_lag(f * f) * self._lagged**2 + 2.0 * per_lag(f * m) * self._lagged * self._keep
        square = (square + per_lag(m * m) * self._keep**2).sum(axis=0)
        u = np.sqrt(np.maximum(square - middle**2, 0.0))
        before = np.full(self._first, np.nan)
        level = self.levels(self._n)
        width = min(rate_h, self._n - self._first)
        rates = (level - self.levels(self._n - width)) / max(width / 24.0, 1.0 / 24.0)
        rate = float(weight @ rates)
        return TimberMembers(
            weight,
            self._lags[self._which],
            f,
            level,
            np.r_[before, middle[1:]],
            np.r_[before, u[1:]],
            rate,
            float(np.sqrt(weight @ (rates - rate) ** 2)),
            self._first,
        )
