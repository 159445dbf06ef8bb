"""Does the present air take it to its goal within a year?"""

from __future__ import annotations

import numpy as np

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.queries.date import arrival


def never_probability(futures: Outlook, limit_pct: float) -> float:
    """Share of the futures that do not read the limit within the horizon in this air. [0..1]"""
    return float(np.isinf(arrival(futures, limit_pct)).mean())
