"""How the humidity of a sealed sleeve moves with temperature alone."""

from __future__ import annotations

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import median
from monitord.analysis.slabs.parameters import SLABS
from monitord.physics.concrete import sealed_humidity_slope


def sleeve_humidity_slope(series: HourlySeries) -> float:
    """Rise of a sealed sleeve's humidity with temperature, at the median humidity of its last ten days. [%RH/K]

    By `sealed_humidity_slope` (Bažant and Najjar 1972) within a range of humidity; a usual one where none is known.
    """
    known = series.relative_humidity_pct[-SLABS.slope_h :]
    known = known[np.isfinite(known)]
    low, high = SLABS.slope_range
    pore_humidity = min(max(median(known) / 100.0, low), high) if len(known) else SLABS.unknown_humidity
    return 100.0 * float(sealed_humidity_slope(pore_humidity))
