"""What the outdoor air brings into a room: a share of it, lagged, learned from the days before.

A room is aired and leaks, and its walls and furniture hold vapour back, so of a change outdoors it takes a share, some
hours late. Share and lag are fitted hour by hour to the ten days before, so that a change of today does not explain
itself.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import lfilter

from monitord.model.series import Array

_LAGS_H = (2.0, 6.0, 12.0, 24.0, 48.0)
"""Time constants that are tried. [h]"""
_SURER, _NOISE_SQUARE = 1.05, 1.0
"""Each longer lag must leave so much less unexplained, over what probes and people scatter in the unit's square:
weather that hardly moved tells no lag (our choice)."""
_FIT_H, _GAP_H, _MIN_H = 240, 24, 48
"""Hours that the fit rests on, how long before the hour they end, and how many of them must be known."""
_USUAL_SHARE, _USUAL_SQUARE = 1.0, 2.0
"""Share where nothing is learned: with nothing else in it a room ends at the outdoor air's vapour. The fit leans to it
where the outdoor air hardly moved, by a variance of so much in the unit's square (our choice)."""


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
        share = np.clip((cov + _USUAL_SQUARE * _USUAL_SHARE) / (var_x + _USUAL_SQUARE), 0.0, 1.0)
        left = var_y - 2.0 * share * cov + share**2 * var_x
    known = count >= _MIN_H
    best = np.argmin(
        np.where(known, left + _NOISE_SQUARE, _NOISE_SQUARE) * _SURER ** np.arange(len(left))[:, None], axis=0
    )
    hours = np.arange(len(level))
    changes = np.stack([change(row) for row in lagged])[best, :, hours].T
    brought = np.where(known, share, _USUAL_SHARE)[best, hours] * changes
    return np.where(np.isfinite(brought), brought, 0.0)


def _lagged(outdoor: Array) -> Array:
    """First-order lags of the outdoor air, (lags, n); a gap keeps what was before it, NaN before the first value."""
    out = np.full((len(_LAGS_H), len(outdoor)), np.nan)
    known = np.isfinite(outdoor)
    if not known.any():
        return out
    first = int(np.argmax(known))
    at = np.maximum.accumulate(np.where(known, np.arange(len(outdoor)), 0))[first:]
    held = outdoor[at]
    for row, lag in enumerate(_LAGS_H):
        keep = float(np.exp(-1.0 / lag))
        out[row, first:] = lfilter([1.0 - keep], [1.0, -keep], held, zi=[keep * held[0]])[0]
    return out


def _before(value: Array) -> Array:
    """Sum over the hours that the fit rests on, for each hour, (lags, n)."""
    total = np.concatenate([np.zeros((len(value), 1)), np.cumsum(value, axis=1)], axis=1)
    end = np.maximum(np.arange(value.shape[1]) + 1 - _GAP_H, 0)
    return np.asarray(total[:, end] - total[:, np.maximum(end - _FIT_H, 0)])
