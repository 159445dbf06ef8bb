"""How the humidity of a sealed sleeve moves with temperature alone."""

from __future__ import annotations

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import median
from monitord.physics.concrete import sealed_humidity_slope


def sleeve_humidity_slope(here: HourlySeries) -> float:
    """Rise of a sealed sleeve's humidity with temperature, at the median humidity of its last 240 hours. [%RH/K]

    By `sealed_humidity_slope` (Bažant and Najjar 1972) for a humidity of 30 to 99 %; 85 % where none is known.
    """
    known = here.relative_humidity_pct[-240:]
    known = known[np.isfinite(known)]
    pore_humidity = min(max(median(known) / 100.0, 0.3), 0.99) if len(known) else 0.85
    return 100.0 * float(sealed_humidity_slope(pore_humidity))
