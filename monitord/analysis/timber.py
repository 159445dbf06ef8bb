"""Moisture content of timber from the air beside it: the air's equilibrium value, lagged as a joist lags it.

A goal about timber is about the timber, not about the air: the air's equilibrium value runs about two weeks ahead of
a joist (common practice). First-order uptake is assumed, dM/dt = (EMC(t) − M)/τ. Nobody measured the timber at the
start, so the start is a range: from the first day's equilibrium value to fibre saturation (about 30 %, Wood Handbook
ch. 4, or the first value if higher); what is left of that range is carried as doubt, beside the 1 to 2 %MC scatter of
species and hysteresis (Wood Handbook ch. 4) of which `u_species` is a standard uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.model.series import HOUR_S, Array
from monitord.physics.wood import equilibrium_moisture_content

FIBRE_SATURATION_PCT = 30.0


@dataclass(frozen=True)
class TimberTrack:
    """Estimated moisture content by hour, each (n,). [% of dry mass]"""

    low: Array
    middle: Array
    high: Array
    equilibrium: Array
    """In equilibrium with the air of the hour."""


def _lagged(target: Array, start: float, step_share: float) -> Array:
    out = np.empty(len(target))
    level = start
    for i, value in enumerate(target):
        level += step_share * (value - level)
        out[i] = level
    return out


def timber_track(temperature_c: Array, relative_humidity_pct: Array, lag_days: float) -> TimberTrack | None:
    """Lag the air's equilibrium value; arrays (n,) by hour, NaN where unknown (there the air is taken as unchanged).

    None where nothing is known yet.
    """
    known = np.isfinite(temperature_c) & np.isfinite(relative_humidity_pct)
    if known.sum() < 12:
        return None
    emc = np.full(len(temperature_c), np.nan)
    t = np.clip(temperature_c[known], 0.0, 50.0)
    emc[known] = equilibrium_moisture_content(t, np.clip(relative_humidity_pct[known], 1.0, 99.0))
    at = np.maximum.accumulate(np.where(known, np.arange(len(emc)), -1))
    first = int(np.flatnonzero(known)[0])
    held = emc[np.where(at < 0, first, at)]
    begin = float(np.mean(emc[known][:24]))
    share = 1.0 - np.exp(-HOUR_S / (lag_days * 86_400.0))
    low = _lagged(held, begin, share)
    high = _lagged(held, max(FIBRE_SATURATION_PCT, begin), share)
    return TimberTrack(low, 0.5 * (low + high), high, emc)
