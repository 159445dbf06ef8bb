"""Units that people read numbers in: metric, or those of the United States. Stored and computed values are SI."""

from __future__ import annotations

from enum import StrEnum
from typing import Any, TypeVar

from pydantic import BaseModel

from monitord.model.quantity import Quantity
from monitord.physics.numeric import N
from monitord.physics.units import convert, convert_difference

M = TypeVar("M", bound=BaseModel)


class Units(StrEnum):
    """What a person reads numbers in."""

    METRIC = "metric"
    US = "us"
    """°F, inches of mercury, grains per pound, inches and feet."""


_US = {
    "°C": "°F",
    "K": "°F",
    "Pa": "inHg",
    "hPa": "inHg",
    "g/kg": "gr/lb",
    "mm": "in",
    "m": "ft",
    "g": "lb",
    "L": "pt",
    "g/h": "lb/h",
    "m³": "ft³",
}
"""Unit of a value to the unit that is read in its place; what is missing stays, as % and days do."""

_DIFFERENCE = "K"
"""The unit of temperature differences, everywhere in the program; °C is a temperature's."""
_PER_DAY = "/day"


def unit_in(unit: str, units: Units) -> str:
    """The sign of a unit as it is read: `°F` for `°C`, `inHg/day` for `Pa/day`."""
    if units is Units.METRIC:
        return unit
    base = unit.removesuffix(_PER_DAY)
    return _US.get(base, base) + unit[len(base) :]


def value_in(value: N, unit: str, units: Units) -> N:
    """A value as it is read.

    Parameters
    ----------
    value : In `unit`; NaN is missing. [unit]
    unit : As the program computes: a difference of temperatures is in K, a temperature in °C.
    units : The reader's.

    Returns
    -------
    The value. [`unit_in`]

    Source
    ------
    The factors of `physics.units`: NIST Special Publication 811 (2008), appendix B.8.
    """
    base = unit.removesuffix(_PER_DAY)
    if units is Units.METRIC or base not in _US:
        return value
    if base == _DIFFERENCE or base != unit:
        return size_in(value, unit, units)
    return convert(value, _plain(base), _plain(_US[base]))


def value_from(value: float, unit: str, units: Units) -> float:
    """A value that was typed in the unit of `unit_in`, in `unit`: the way back from `value_in`. [unit]"""
    if units is Units.METRIC or unit not in _US:
        return value
    back = convert_difference if unit == _DIFFERENCE else convert
    return back(value, _plain(_US[unit]), _plain(unit))


def size_in(value: N, unit: str, units: Units) -> N:
    """An uncertainty, or another difference of two values, as it is read: 5 K are 9 °F. [`unit_in`]"""
    base = unit.removesuffix(_PER_DAY)
    if units is Units.METRIC or base not in _US:
        return value
    return convert_difference(value, _plain(base), _plain(_US[base]))


def quantity_in(quantity: Quantity, units: Units) -> Quantity:
    """A quantity with its uncertainty as it is read."""
    if units is Units.METRIC:
        return quantity
    u = None if quantity.u is None else size_in(quantity.u, quantity.unit, units)
    return Quantity(value=value_in(quantity.value, quantity.unit, units), unit=unit_in(quantity.unit, units), u=u)


def read_in(model: M, units: Units) -> M:
    """A model with every quantity in it as it is read."""
    if units is Units.METRIC:
        return model
    found = {name: _read(getattr(model, name), units) for name in type(model).model_fields}
    unit = getattr(model, "unit", None)
    if isinstance(unit, str):  # numbers beside a unit, such as a goal's limit
        for name in _BESIDE_UNIT & found.keys():
            if isinstance(found[name], float):
                found[name] = value_in(found[name], unit, units)
        found["unit"] = unit_in(unit, units)
    return model.model_copy(update=found)


_BESIDE_UNIT = frozenset({"value", "limit", "start_value"})
"""Fields that hold a bare number in the unit that the same model names."""


def _read(value: Any, units: Units) -> Any:
    match value:
        case Quantity():
            return quantity_in(value, units)
        case BaseModel():
            return read_in(value, units)
        case tuple():
            return tuple(_read(item, units) for item in value)
        case _:
            return value


def _plain(unit: str) -> str:
    """The amount alone of an amount per hour."""
    return unit.removesuffix("/h")
