"""What the outdoor air brings into a room: a share of it, lagged, learned from the days before.

A room is aired and leaks, and its walls and furniture hold vapour back, so of a change outdoors it takes a share, some
hours late. Share and lag are fitted hour by hour to the ten days before, so that a change of today does not explain
itself.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import lfilter

from monitord.analysis.air.parameters import AIR
from monitord.model.series import Array


def explained_rise(level: Array, outdoor: Array, change: Callable[[Array], Array]) -> Array:
    """How much of a change of a room's level the outdoor air brings, (k, n); 0 where that is not known.

    Parameters
    ----------
    level, outdoor : hourly series of the room and of the outdoor air in the same unit, each (n,), NaN where unknown.
    change : what takes changes of a series, (n,) to (k, n), such as rises against k days before.
    """
    lagged = _lagged(outdoor)
    both = np.isfinite(lagged) & np.isfinite(level)
    x = np.where(both, lagged, 0.0)
    y = np.where(both, level, 0.0)
    count = _before(both.astype(np.float64))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x, mean_y = _before(x) / count, _before(y) / count
        var_x = _before(x * x) / count - mean_x**2
        var_y = _before(y * y) / count - mean_y**2
        cov = _before(x * y) / count - mean_x * mean_y
        share = np.clip((cov + AIR.prior_variance * AIR.prior_share) / (var_x + AIR.prior_variance), 0.0, 1.0)
        left = var_y - 2.0 * share * cov + share**2 * var_x
    known = count >= AIR.fit_min_h
    unexplained = np.where(known, left + AIR.noise_variance, AIR.noise_variance)
    best = np.argmin(unexplained * AIR.longer_lag_factor ** np.arange(len(left))[:, None], axis=0)
    hours = np.arange(len(level))
    changes = np.stack([change(row) for row in lagged])[best, :, hours].T
    brought = np.where(known, share, AIR.prior_share)[best, hours] * changes
    return np.where(np.isfinite(brought), brought, 0.0)


def _lagged(outdoor: Array) -> Array:
    """First-order lags of the outdoor air, (lags, n); a gap keeps what was before it, NaN before the first value."""
    out = np.full((len(AIR.lags_h), len(outdoor)), np.nan)
    known = np.isfinite(outdoor)
    if not known.any():
        return out
    first = int(np.argmax(known))
    at = np.maximum.accumulate(np.where(known, np.arange(len(outdoor)), 0))[first:]
    held = outdoor[at]
    for row, lag in enumerate(AIR.lags_h):
        keep = float(np.exp(-1.0 / lag))
        out[row, first:] = lfilter([1.0 - keep], [1.0, -keep], held, zi=[keep * held[0]])[0]
    return out


def _before(value: Array) -> Array:
    """Sum over the hours that the fit rests on, for each hour, (lags, n)."""
    total = np.concatenate([np.zeros((len(value), 1)), np.cumsum(value, axis=1)], axis=1)
    end = np.maximum(np.arange(value.shape[1]) + 1 - AIR.fit_gap_h, 0)
    return np.asarray(total[:, end] - total[:, np.maximum(end - AIR.fit_h, 0)])
