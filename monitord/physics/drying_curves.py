"""Curves along which things dry: the slab's diffusion series, a simple exponential, and Page's thin layer."""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from scipy.special import erfc

from monitord.physics.numeric import Array, FloatOrArray, exp, in_range, log, require

_SHORT_TIME_FO = 0.2
_TERMS = 6
_SQRT_PI = math.sqrt(math.pi)

EQUAL_DEPTH_SHARE = 1.0 - 2.0 / math.pi * math.acos(2.0 / math.pi)
"""Depth, as a share of the thickness that dries to one side, whose humidity tends to the slab's mean: 0.4393.
[no unit] Crank 1975 §4.3 first term; why sleeves go to 40 % of the thickness (20 % where both sides dry)."""


@overload
def fourier_number(  # type: ignore[overload-overlap]
    diffusivity_m2_s: float, time_s: float, thickness_m: float
) -> float: ...
@overload
def fourier_number(diffusivity_m2_s: FloatOrArray, time_s: FloatOrArray, thickness_m: FloatOrArray) -> Array: ...
def fourier_number(diffusivity_m2_s: FloatOrArray, time_s: FloatOrArray, thickness_m: FloatOrArray) -> FloatOrArray:
    """Dimensionless time of diffusion in a slab.

    Parameters
    ----------
    diffusivity_m2_s : Moisture diffusivity. [m²/s] Range 1E-14..1E-4.
    time_s : Time of drying. [s] Range 0..1E11.
    thickness_m : Thickness that dries to one side; half of it where both sides dry. [m] Range 0.001..10.

    Returns
    -------
    Fourier number D·t/L². [no unit]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Crank 1975, The Mathematics of Diffusion, §4.3.
    """
    d = in_range("diffusivity_m2_s", diffusivity_m2_s, 1e-14, 1e-4, "m²/s")
    length = in_range("thickness_m", thickness_m, 0.001, 10.0, "m")
    return d * in_range("time_s", time_s, 0.0, 1e11, "s") / (length * length)


def _mean_long(fo: Array) -> Array:
    total = np.zeros_like(fo)
    for n in range(_TERMS):
        odd = (2 * n + 1) ** 2
        total += 8.0 / (odd * math.pi**2) * np.exp(-odd * math.pi**2 * fo / 4.0)
    return total


def _mean_short(fo: Array) -> Array:
    root = np.sqrt(fo)
    total = np.full_like(fo, 1.0 / _SQRT_PI)
    for n in range(1, _TERMS):
        z = np.minimum(n / np.maximum(root, 1e-9), 25.0)  # beyond 25 the term is nothing
        # ierfc(z), the repeated integral of the error function
        total += 2.0 * (-1) ** n * (np.exp(-z * z) / _SQRT_PI - z * erfc(z))
    return 1.0 - 2.0 * root * total


@overload
def slab_mean_remaining(fourier: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def slab_mean_remaining(fourier: FloatOrArray) -> Array: ...
def slab_mean_remaining(fourier: FloatOrArray) -> FloatOrArray:
    """Share of a slab's excess moisture that is still in it: one face sealed, the other held at equilibrium.

    Parameters
    ----------
    fourier : Fourier number. [no unit] Range 0..1E6.

    Returns
    -------
    Mean remaining share U, 1 at the start. [0..1]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Crank 1975 §4.3: the trigonometric series from Fo 0.2 on, the series of error functions below it,
    whose first term is 1 - √(4 Fo/π); six terms, to 1E-14 where they meet. Constant diffusivity.
    """
    number = in_range("fourier", fourier, 0.0, 1e6, "")
    fo = np.asarray(number)
    value = np.where(fo < _SHORT_TIME_FO, _mean_short(np.minimum(fo, 1.0)), _mean_long(np.maximum(fo, 0.01)))
    return value if isinstance(number, np.ndarray) else float(value)


def _local_long(fo: Array, x: Array) -> Array:
    total = np.zeros(np.broadcast_shapes(fo.shape, x.shape))
    for n in range(_TERMS):
        odd = 2 * n + 1
        wave = np.cos(odd * math.pi * x / 2.0)
        total += 4.0 * (-1) ** n / (odd * math.pi) * np.exp(-(odd**2) * math.pi**2 * fo / 4.0) * wave
    return total


def _local_short(fo: Array, x: Array) -> Array:
    spread = 2.0 * np.sqrt(np.maximum(fo, 1e-300))
    total = np.ones(np.broadcast_shapes(fo.shape, x.shape))
    for n in range(_TERMS):
        near, far = erfc((2 * n + 1 - x) / spread), erfc((2 * n + 1 + x) / spread)
        total -= (-1) ** n * (near + far)
    return total


@overload
def slab_local_remaining(fourier: float, position: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def slab_local_remaining(fourier: FloatOrArray, position: FloatOrArray) -> Array: ...
def slab_local_remaining(fourier: FloatOrArray, position: FloatOrArray) -> FloatOrArray:
    """Share of the excess still present at one place in a slab: one face sealed, the other held at equilibrium.

    Parameters
    ----------
    fourier : Fourier number. [no unit] Range 0..1E6.
    position : Place in the slab. [no unit] Range 0 (sealed face, or middle)..1 (exposed face); a depth of 40 % is
        0.6.

    Returns
    -------
    Remaining share at that place, 1 at the start. [0..1]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Crank 1975 §4.3: the trigonometric series from Fo 0.2 on, the series of error functions below it; six
    terms, to 1E-14 where they meet. Constant diffusivity.
    """
    number = in_range("fourier", fourier, 0.0, 1e6, "")
    location = in_range("position", position, 0.0, 1.0, "")
    fo, x = np.broadcast_arrays(np.asarray(number), np.asarray(location))
    short = _local_short(np.minimum(fo, 1.0), x)
    value = np.where(fo < _SHORT_TIME_FO, short, _local_long(np.maximum(fo, 0.01), x))
    return value if isinstance(number, np.ndarray) or isinstance(location, np.ndarray) else float(value)


@overload
def fourier_number_at_mean(remaining: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def fourier_number_at_mean(remaining: FloatOrArray) -> Array: ...
def fourier_number_at_mean(remaining: FloatOrArray) -> FloatOrArray:
    """Fourier number at which a given share of the excess is left; the inverse of `slab_mean_remaining`.

    Parameters
    ----------
    remaining : Mean remaining share. [no unit] Range 1E-12..1.

    Returns
    -------
    Fourier number; times L²/D it is the drying time. [no unit]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Crank 1975 §4.3, the same series solved by bisection to 1E-12.
    """
    share = in_range("remaining", remaining, 1e-12, 1.0, "")
    goal = np.asarray(share)
    low, high = np.zeros(goal.shape), np.full(goal.shape, 16.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        later = slab_mean_remaining(middle) > goal
        low = np.where(later, middle, low)
        high = np.where(later, high, middle)
    value = np.where(np.isnan(goal), np.nan, np.where(goal == 1.0, 0.0, 0.5 * (low + high)))
    return value if isinstance(share, np.ndarray) else float(value)


@overload
def exponential_remaining(time: float, time_constant: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def exponential_remaining(time: FloatOrArray, time_constant: FloatOrArray) -> Array: ...
def exponential_remaining(time: FloatOrArray, time_constant: FloatOrArray) -> FloatOrArray:
    """Share that is left of a first-order approach, such as a probe's or Lewis' drying law (k = 1/τ).

    Parameters
    ----------
    time : Time since the start. [any unit of time] Range 0..1E12.
    time_constant : Time constant τ. [the same unit] Range 1E-9..1E12.

    Returns
    -------
    Remaining share e^(-t/τ). [0..1]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Solution of dm/dt = -m/τ; Lewis 1921 for drying.
    """
    tau = in_range("time_constant", time_constant, 1e-9, 1e12, "")
    return exp(-in_range("time", time, 0.0, 1e12, "") / tau)


@overload
def exponential_time(remaining: float, time_constant: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def exponential_time(remaining: FloatOrArray, time_constant: FloatOrArray) -> Array: ...
def exponential_time(remaining: FloatOrArray, time_constant: FloatOrArray) -> FloatOrArray:
    """Time at which a given share is left of a first-order approach; the inverse of `exponential_remaining`.

    Parameters
    ----------
    remaining : Remaining share. [no unit] Range 1E-300..1.
    time_constant : Time constant τ. [any unit of time] Range 1E-9..1E12.

    Returns
    -------
    Time since the start. [unit of `time_constant`]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Solution of dm/dt = -m/τ: t = -τ ln(remaining).
    """
    tau = in_range("time_constant", time_constant, 1e-9, 1e12, "")
    return -tau * log(in_range("remaining", remaining, 1e-300, 1.0, ""))


@overload
def page_remaining(time: float, rate: float, exponent: float) -> float: ...  # type: ignore[overload-overlap]
@overload
def page_remaining(time: FloatOrArray, rate: FloatOrArray, exponent: FloatOrArray) -> Array: ...
def page_remaining(time: FloatOrArray, rate: FloatOrArray, exponent: FloatOrArray) -> FloatOrArray:
    """Share that is left in a thin drying layer by Page's law.

    Parameters
    ----------
    time : Time since the start. [any unit of time] Range 0..1E12.
    rate : Drying constant k. [1/time^n] Range 0..1E6.
    exponent : Exponent n; 1 is Lewis' law. [no unit] Range 0.1..5.

    Returns
    -------
    Moisture ratio e^(-k t^n). [0..1]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Page 1954, thesis, Purdue University.
    """
    power = in_range("exponent", exponent, 0.1, 5.0, "")
    k = in_range("rate", rate, 0.0, 1e6, "")
    growth = k * in_range("time", time, 0.0, 1e12, "") ** power
    require(~np.isinf(np.asarray(growth)), "k·t^n overflows", "the layer is long dry")
    return exp(-growth)
