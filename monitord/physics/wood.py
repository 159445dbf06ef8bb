"""Wood in air: equilibrium moisture content and back, how wood lags behind its air, cautions for decay."""

from __future__ import annotations

import math

import numpy as np

from monitord.physics.constants import MAX_RELATIVE_HUMIDITY_PCT
from monitord.physics.numeric import Array, FloatOrArray, N, in_range

FIBRE_SATURATION_PCT = 30.0
"""Moisture content at which cell walls are full. [% of dry mass] Wood Handbook (FPL-GTR-282) ch. 4: about 30."""


DECAY_SLOW_BELOW_C, DECAY_SLOW_ABOVE_C = 10.0, 35.0
"""Decay is slow outside these temperatures. [°C] Wood Handbook ch. 14."""

DECAY_STOPS_BELOW_C, DECAY_STOPS_ABOVE_C = 2.0, 38.0
"""Decay stops outside about these temperatures. [°C] Wood Handbook ch. 14."""


_COLDEST_C, _HOTTEST_C = -40.0, 132.0
_HALVINGS = 60


def _coefficients(celsius: N) -> tuple[N, N, N, N]:
    """W, K, K1, K2 of Wood Handbook eq. 4-5 for degrees Celsius."""
    return (
        349.0 + celsius * (1.29 + 0.0135 * celsius),
        0.805 + celsius * (0.000736 - 2.73e-6 * celsius),
        6.27 - celsius * (0.00938 + 0.000303 * celsius),
        1.91 + celsius * (0.0407 - 0.000293 * celsius),
    )


def _emc(celsius: N, share: N | float) -> N:
    w, k, k1, k2 = _coefficients(celsius)
    kh = k * share
    first, second = k1 * kh, k1 * k2 * kh * kh
    return 1800.0 / w * (kh / (1.0 - kh) + (first + 2.0 * second) / (1.0 + first + second))


def equilibrium_moisture_content(temperature_c: N, relative_humidity_pct: N | float) -> N:
    """Moisture content that wood takes on if it stays long enough in air.

    Parameters
    ----------
    temperature_c : Temperature of air and wood. [°C] Range -40..132; below -1.1 °C extrapolated.
    relative_humidity_pct : Relative humidity of the air. [%] Range 0..105; above 100 computed as it is.

    Returns
    -------
    Equilibrium moisture content. [% of dry mass] One species scatters ± 1 to 2 about it.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    USDA Wood Handbook (FPL-GTR-282, 2021; GTR-190, 2010) ch. 4 eq. 4-5, after Simpson 1998 (FPL-RN-0268); its
    Table 4-2 runs from 30 to 270 °F and 5 to 95 %. Within 0.06 % MC of the table for 30..130 °F, 5..85 %.
    """
    celsius = in_range("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C, "°C")
    share = in_range("relative_humidity_pct", relative_humidity_pct, 0.0, MAX_RELATIVE_HUMIDITY_PCT, "%") / 100.0
    return _emc(celsius, share)


def lagged(values: Array, time_constant_h: float, start: FloatOrArray, step_h: float = 1.0) -> Array:
    """What a body that follows its surroundings with a first-order lag holds, step by step.

    Parameters
    ----------
    values : What the body follows (such as EMC) over each step, along the first axis. [any unit] Range any;
        NaN means that the step is unknown: the body is held as it was.
    time_constant_h : Time constant. [h] Range above 0; weeks for a joist (common practice).
    start : What the body holds at the start. [unit of `values`] Range finite.
    step_h : Length of a step. [h] Range above 0.

    Returns
    -------
    What the body holds at the end of each step, of the shape of `values`. [unit of `values`]

    Raises
    ------
    PhysicsRangeError : a time constant or step that is not above 0, or a start that is not finite.

    Source
    ------
    Exact response of dM/dt = (M_eq - M)/τ over each step. One time constant for a piece of wood is a
    simplification of its diffusion: common practice, not a standard.
    """
    share = 1.0 - math.exp(
        -in_range("step_h", step_h, 1e-9, 1e9, "h") / in_range("time_constant_h", time_constant_h, 1e-9, 1e9, "h")
    )
    followed = np.asarray(values, dtype=np.float64)
    held = np.array(np.broadcast_to(in_range("start", start, -1e300, 1e300, ""), followed.shape[1:]))
    out = np.empty_like(followed)
    for i, target in enumerate(followed):
        change = share * (target - held)
        held = held + np.where(np.isnan(change), 0.0, change)
        out[i] = held
    return out
