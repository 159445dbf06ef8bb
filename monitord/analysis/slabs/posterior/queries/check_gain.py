"""What would a check of the probe against a known humidity gain: a narrower date, or whether it is at its goal?

Expected value of a measurement before it is made (preposterior analysis, Raiffa and Schlaifer 1961). Each future in
turn is taken as the truth: a check would then give its bias with the check's own error, the futures are weighed by that
result (Gaussian), and the questions are put to them again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.queries.date import arrival
from monitord.model.series import Array


@dataclass(frozen=True)
class CheckGain:
    """What a check of the probe is expected to bring; NaN where there is no date or no bias to be found."""

    interval_d: float
    """Width of the 80 % interval of the date as it is. [d]"""
    checked_interval_d: float
    """Median width after a check. [d]"""
    settles_probability: float
    """That the goal would after it be held to be met, or as surely not to be. [0..1]"""


def check_gain(futures: Outlook, limit_pct: float, u_check_pct: float, rng: np.random.Generator) -> CheckGain | None:
    """Gain by one check with standard uncertainty `u_check_pct`; None while no reading tells the bias.

    Parameters
    ----------
    futures : their bias is what the probe reads over each of them, (draws,). [% RH]
    rng : seeded by location and day, so that a day's answer is always the same.
    """
    bias = futures.bias_pct
    if not np.isfinite(bias).all():
        return None
    found = bias + u_check_pct * rng.standard_normal(len(bias))
    weights = np.exp(-0.5 * ((found[:, None] - bias[None, :]) / u_check_pct) ** 2)
    weights /= weights.sum(axis=1, keepdims=True)
    met = weights @ (futures.window_pct <= limit_pct)
    settled = (met >= POSTERIOR.goal_at) | (met <= 1.0 - POSTERIOR.goal_at)
    days = arrival(futures, limit_pct)
    arrives = np.isfinite(days)
    if (days[arrives] > 0.0).any():
        arrives &= days > 0.0  # as the date itself: of those that are not there yet
    if not arrives.any():
        return CheckGain(float("nan"), float("nan"), float(settled.mean()))
    now = _width(days[arrives], np.full((1, int(arrives.sum())), 1.0))
    arriving = weights[:, arrives]
    likely = arriving.sum(axis=1) >= POSTERIOR.gain_min_arriving
    after = _width(days[arrives], arriving[likely]) if likely.any() else np.array([np.nan])
    return CheckGain(float(now[0]), float(np.median(after)), float(settled.mean()))


def _width(days: Array, weights: Array) -> Array:
    """Width of the central 80 % of days (draws,) for each row of weights (rows, draws), (rows,). [d]"""
    order = np.argsort(days, kind="stable")
    share = np.cumsum(weights[:, order], axis=1)
    share /= share[:, -1:]
    low = np.argmax(share >= POSTERIOR.date_low, axis=1)
    high = np.argmax(share >= POSTERIOR.date_high, axis=1)
    return np.asarray(days[order][high] - days[order][low])
