"""Numbers in, the same kind of numbers out: float or array, and the range check that every function makes."""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from monitord.errors import PhysicsRangeError

Array = NDArray[np.float64]
FloatOrArray = float | Array
N = TypeVar("N", float, Array, FloatOrArray)
"""What a function of physics is given and gives back: a float for floats, an array where its first quantity is one.

A quantity annotated `N | float` may stay a float beside arrays.
"""

LOWEST_PRESSURE_PA, HIGHEST_PRESSURE_PA = 20_000.0, 120_000.0
"""Air pressures that are computed with. [Pa] Our own choice; see `checked_pressure`."""


_LOWEST, _HIGHEST = np.minimum.reduce, np.maximum.reduce  # the methods of arrays cost half as much again


def in_range(name: str, value: N, low: float, high: float, unit: str) -> N:
    """Return a quantity as float or float64 array once it is known to lie in its range.

    NaN in an array means "missing" and passes; a NaN that stands alone is refused, as are infinities.

    Parameters
    ----------
    name : Name of the argument, for the message.
    value : The quantity. [unit]
    low, high : Ends of the range, both inside it. [unit]
    unit : Unit, for the message.

    Returns
    -------
    The quantity, unchanged. [unit]

    Raises
    ------
    PhysicsRangeError : a value outside the range, or a lone NaN.

    Source
    ------
    None: our own convention.
    """
    if isinstance(value, (float, int)):
        if low <= value <= high:
            return float(value)
        raise _out_of_range(name, float(value), low, high, unit)
    array = np.asarray(value, dtype=np.float64)
    if array.size == 0 or (low <= _LOWEST(array, axis=None) and _HIGHEST(array, axis=None) <= high):
        return array
    # slow path: something is out, or missing values hide the extremes
    bad = ~((array >= low) & (array <= high) | np.isnan(array))
    if bad.any():
        raise _out_of_range(name, float(array[bad].flat[0]), low, high, unit)
    return array


def require(holds: bool | NDArray[np.bool_], what: str, why: str) -> None:
    """Raise PhysicsRangeError unless a condition between several quantities holds everywhere.

    Parameters
    ----------
    holds : The condition; give it so that missing values (NaN) satisfy it. [no unit]
    what : What is wrong, said to a person. [text]
    why : Which rule asks for it. [text]

    Raises
    ------
    PhysicsRangeError : the condition fails somewhere.

    Source
    ------
    None: our own convention. Range of `holds`: true or false.
    """
    if not np.all(holds):
        raise PhysicsRangeError(what, why=why, remedy="Flag the reading, or give missing values as NaN in an array")


def _out_of_range(name: str, value: float, low: float, high: float, unit: str) -> PhysicsRangeError:
    return PhysicsRangeError(
        f"{name} is {value:g} {unit}".rstrip(),
        why=f"the equation holds from {low:g} to {high:g} {unit}".rstrip(),
        remedy="Flag the reading, or give missing values as NaN in an array",
    )


def choice(name: str, value: str, allowed: tuple[str, ...]) -> str:
    """Return one of a few allowed words, or raise PhysicsRangeError. [word] Range: `allowed`.

    Source
    ------
    None: our own convention.
    """
    if value in allowed:
        return value
    raise PhysicsRangeError(
        f"{name} is {value!r}", why=f"the choices are {', '.join(allowed)}", remedy=f"Use {allowed[0]!r}"
    )


def over_of(humidity_over: str) -> str:
    """The `over` of `saturation_vapour_pressure` that a probe's convention asks for.

    Parameters
    ----------
    humidity_over : Whether relative humidity below 0.01 °C is over "water" or over "ice". [word]
        Range "water", "ice"; above 0.01 °C both mean liquid water.

    Returns
    -------
    "water" or "auto". [word]

    Raises
    ------
    PhysicsRangeError : another word.

    Source
    ------
    WMO-No. 8 (2018) vol. I annex 4.A: relative humidity of the air is over water at all temperatures; the
    equations of ASHRAE Handbook—Fundamentals 2017, ch. 1 take ice below the triple point.
    """
    return "auto" if choice("humidity_over", humidity_over, ("water", "ice")) == "ice" else "water"


def checked_pressure(pressure_pa: N) -> N:
    """Return an air pressure that lies in the range of this program, 20 000..120 000 Pa. [Pa]

    Raises
    ------
    PhysicsRangeError : outside, or a lone NaN.

    Source
    ------
    Our own choice: from above the highest dwellings to below the lowest; the equations hold beyond.
    """
    return in_range("pressure_pa", pressure_pa, LOWEST_PRESSURE_PA, HIGHEST_PRESSURE_PA, "Pa")


def exp(x: N) -> N:
    """Natural exponential of a float or an array. [no unit] Range: any; source: definition."""
    return np.exp(x) if isinstance(x, np.ndarray) else math.exp(x)


def log(x: N) -> N:
    """Natural logarithm of a float or an array. [no unit] Range: above 0; source: definition."""
    return np.log(x) if isinstance(x, np.ndarray) else math.log(x)


def sqrt(x: N) -> N:
    """Square root of a float or an array. [no unit] Range: from 0; source: definition."""
    return np.sqrt(x) if isinstance(x, np.ndarray) else math.sqrt(x)
