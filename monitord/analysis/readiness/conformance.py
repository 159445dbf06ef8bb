"""Conformance of a measured value with an upper limit, given its standard uncertainty (JCGM 106:2012)."""

from __future__ import annotations

from math import erfc, sqrt


def conformance_probability(value: float, u: float, limit: float) -> float:
    """Probability that the true value is at or under an upper limit, for a normal distribution, 0..1.

    Parameters
    ----------
    value, limit : In the same unit.
    u : Standard uncertainty of the value, > 0, in that unit.

    Source
    ------
    JCGM 106:2012, 7.3 (one-sided tolerance interval with a normal PDF).
    """
    return 0.5 * erfc((value - limit) / (u * sqrt(2.0)))


def acceptance_limit(limit: float, u: float, guard_factor: float) -> float:
    """Greatest value that is accepted under an upper limit, with a guard band of `guard_factor` times u.

    Source
    ------
    JCGM 106:2012, 8.3.2 (guarded acceptance). A guard factor of 0 is simple acceptance (8.2).
    """
    return limit - guard_factor * u
