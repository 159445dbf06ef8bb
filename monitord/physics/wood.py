"""Wood in air: equilibrium moisture content and back, how wood lags behind its air, cautions for decay."""

from __future__ import annotations

import math
from typing import overload

import numpy as np

from monitord.physics.constants import MAX_RELATIVE_HUMIDITY_PCT
from monitord.physics.numeric import Array, FloatOrArray, in_range, require

FIBRE_SATURATION_PCT = 30.0
"""Moisture content at which cell walls are full. [% of dry mass] Wood Handbook (FPL-GTR-282) ch. 4: about 30."""

DECAY_CAUTION_PCT = 20.0
"""Moisture content under which wood is kept to be safe from rot. [% of dry mass] Wood Handbook ch. 14; practice
keeps this distance to fibre saturation, which rot needs to start."""

DECAY_SLOW_BELOW_C, DECAY_SLOW_ABOVE_C = 10.0, 35.0
"""Decay is slow outside these temperatures. [°C] Wood Handbook ch. 14."""

DECAY_STOPS_BELOW_C, DECAY_STOPS_ABOVE_C = 2.0, 38.0
"""Decay stops outside about these temperatures. [°C] Wood Handbook ch. 14."""

EMC_SCATTER_PCT = 1.5
"""Scatter of equilibrium moisture content between species and with hysteresis, middle of 1..2. [% MC]"""

METER_SLOPE_PCT_PER_K = 0.1
"""Rise of a resistance meter's reading with wood temperature, roughly. [% MC/K] After James 1988 (FPL-GTR-6);
the maker's table of the meter goes before it."""

_COLDEST_C, _HOTTEST_C = -40.0, 132.0
_HALVINGS = 60


def _coefficients(celsius: FloatOrArray) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray, FloatOrArray]:
    """W, K, K1, K2 of Wood Handbook eq. 4-5 for degrees Celsius."""
    return (
        349.0 + celsius * (1.29 + 0.0135 * celsius),
        0.805 + celsius * (0.000736 - 2.73e-6 * celsius),
        6.27 - celsius * (0.00938 + 0.000303 * celsius),
        1.91 + celsius * (0.0407 - 0.000293 * celsius),
    )


def _emc(celsius: FloatOrArray, share: FloatOrArray) -> FloatOrArray:
    w, k, k1, k2 = _coefficients(celsius)
    kh = k * share
    first, second = k1 * kh, k1 * k2 * kh * kh
    return 1800.0 / w * (kh / (1.0 - kh) + (first + 2.0 * second) / (1.0 + first + second))


@overload
def equilibrium_moisture_content(  # type: ignore[overload-overlap]
    temperature_c: float, relative_humidity_pct: float
) -> float: ...
@overload
def equilibrium_moisture_content(temperature_c: FloatOrArray, relative_humidity_pct: FloatOrArray) -> Array: ...
def equilibrium_moisture_content(temperature_c: FloatOrArray, relative_humidity_pct: FloatOrArray) -> FloatOrArray:
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


@overload
def humidity_at_moisture_content(  # type: ignore[overload-overlap]
    temperature_c: float, moisture_content_pct: float
) -> float: ...
@overload
def humidity_at_moisture_content(temperature_c: FloatOrArray, moisture_content_pct: FloatOrArray) -> Array: ...
def humidity_at_moisture_content(temperature_c: FloatOrArray, moisture_content_pct: FloatOrArray) -> FloatOrArray:
    """Relative humidity of air in equilibrium with wood; the inverse of `equilibrium_moisture_content`.

    Parameters
    ----------
    temperature_c : Temperature of air and wood. [°C] Range -40..132.
    moisture_content_pct : Moisture content. [% of dry mass] Range 0..the equilibrium at 105 %RH, about 35 at
        20 °C; above about fibre saturation there is no equilibrium with unsaturated air.

    Returns
    -------
    Relative humidity. [%]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Wood Handbook ch. 4 eq. 4-5, solved by bisection to 1E-12 %; it inverts the formula itself.
    """
    celsius = in_range("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C, "°C")
    content = in_range("moisture_content_pct", moisture_content_pct, 0.0, 1000.0, "% MC")
    t, target = np.broadcast_arrays(np.asarray(celsius), np.asarray(content))
    require(
        ~(target > _emc(t, MAX_RELATIVE_HUMIDITY_PCT / 100.0)),
        "moisture_content_pct lies above any equilibrium with air",
        f"air of {MAX_RELATIVE_HUMIDITY_PCT:g} %RH is the wettest that is computed",
    )
    low, high = np.zeros(t.shape), np.full(t.shape, MAX_RELATIVE_HUMIDITY_PCT / 100.0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = _emc(t, middle) > target
        high = np.where(above, middle, high)
        low = np.where(above, low, middle)
    result = np.where(np.isnan(t) | np.isnan(target), np.nan, 50.0 * (low + high))
    scalar = not isinstance(celsius, np.ndarray) and not isinstance(content, np.ndarray)
    return float(result) if scalar else result


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


@overload
def meter_reading_at_20_c(reading_pct: float, wood_c: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def meter_reading_at_20_c(reading_pct: FloatOrArray, wood_c: FloatOrArray) -> Array: ...
def meter_reading_at_20_c(reading_pct: FloatOrArray, wood_c: FloatOrArray) -> FloatOrArray:
    """Reading of a resistance moisture meter, brought from the wood's temperature to 20 °C.

    Parameters
    ----------
    reading_pct : Reading of a meter without temperature correction, set for 20 °C. [% MC] Range 0..100.
    wood_c : Temperature of the wood. [°C] Range -10..60.

    Returns
    -------
    Corrected moisture content. [% MC]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    After James 1988 (FPL-GTR-6): the reading rises by roughly 1 % MC per 10 K of wood temperature. A rough rule;
    the table of the meter's maker goes before it.
    """
    reading = in_range("reading_pct", reading_pct, 0.0, 100.0, "% MC")
    return reading - METER_SLOPE_PCT_PER_K * (in_range("wood_c", wood_c, -10.0, 60.0, "°C") - 20.0)
