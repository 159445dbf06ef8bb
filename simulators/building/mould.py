"""Mould growth on a surface by the VTT model, for truth; written apart from the daemon's own."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def critical_humidity(temperature_c: float) -> float:
    """Relative humidity above which mould grows on very sensitive material. [%] Hukka and Viitanen 1999."""
    if temperature_c > 20.0:
        return 80.0
    t = temperature_c
    return max(-0.00267 * t**3 + 0.160 * t**2 - 3.13 * t + 100.0, 80.0)


def mould_index(temperature_c: Array, humidity_pct: Array, step_h: float = 1.0) -> Array:
    """Mould index 0..6 of very sensitive material (pine sapwood, W = 0, SQ = 0) after each step, from 0.

    Source: Hukka and Viitanen 1999; factors for very sensitive material after Ojanen, Viitanen and others 2010.
    """
    index, dry_h = 0.0, 0.0
    out = np.empty(len(temperature_c))
    for i, (t, rh) in enumerate(zip(temperature_c.tolist(), np.minimum(humidity_pct, 100.0).tolist(), strict=True)):
        critical = critical_humidity(t)
        if 0.0 < t < 50.0 and rh >= critical:
            dry_h = 0.0
            x = 1.0 if critical >= 100.0 else (critical - rh) / (critical - 100.0)
            maximum = 1.0 + 7.0 * x - 2.0 * x * x
            k1 = 1.0 if index < 1.0 else 2.0
            k2 = max(1.0 - math.exp(2.3 * (index - maximum)), 0.0)
            days = 7.0 * math.exp(-0.68 * math.log(t) - 13.9 * math.log(rh) + 66.02)
            index += k1 * k2 / days * step_h / 24.0
        else:
            rate = -0.032 if dry_h < 6.0 else (0.0 if dry_h < 24.0 else -0.016)
            dry_h += step_h
            index = max(index + rate * step_h / 24.0, 0.0)
        out[i] = index
    return out
