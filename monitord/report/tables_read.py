"""Tables as their reader reads them: values and the units in their headers, in US units where these are asked for."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from monitord.model.units import Units, size_in, unit_in, value_in
from monitord.report.tables import Cell

_SIGNS = {"degC": "°C", "K": "K", "mm": "mm", "Pa": "Pa"}
"""Units of headers, to the signs that the program computes with."""
_SPELT = {"°F": "degF"}
"""Signs that are spelled out in headers."""
_UNIT = re.compile(r"\[(\w+)\]$")

_OF_KIND = {"surface_temperature_c": ("surface temperature [{}]", "degC"), "vp_excess_pa": ("vp excess [{}]", "Pa")}
"""Kinds of spot readings and goals whose name holds the unit of the numbers beside it: the name with another unit."""
_BY_KIND = {"shown": "kind", "limit": "goal"}
"""Columns whose unit the cell of another column names."""
_SIZES_BY_KIND = {"correction": "kind", "u (k = 1)": "kind"}
_DECIMALS = 6


def as_read(
    header: Sequence[str], rows: Iterable[Sequence[Cell]], units: Units
) -> tuple[Sequence[str], Iterable[Sequence[Cell]]]:
    """A table in its reader's units; metric tables are given back as they are.

    Parameters
    ----------
    header : Names of columns, with the unit in brackets where a column has one, as `correction [K]`.
    """
    if units is Units.METRIC:
        return header, rows
    fixed = {at: found[1] for at, name in enumerate(header) if (found := _UNIT.search(name)) and found[1] in _SIGNS}
    names = [f"{name[: -len(fixed[at]) - 2]}[{_spelt(fixed[at], units)}]" if at in fixed else name
             for at, name in enumerate(header)]  # fmt: skip
    return names, (_row(header, row, fixed, units) for row in rows)


def _row(header: Sequence[str], row: Sequence[Cell], fixed: dict[int, str], units: Units) -> Sequence[Cell]:
    cells = [_value(cell, fixed[at], units) if at in fixed else cell for at, cell in enumerate(row)]
    of = {name: at for at, name in enumerate(header)}
    for column, kind in (*_BY_KIND.items(), *_SIZES_BY_KIND.items()):
        named = row[of[kind]] if kind in of and column in of else None
        if not isinstance(named, str) or named not in _OF_KIND:
            continue
        words, unit = _OF_KIND[named]
        at = of[column]
        cells[at] = _size(row[at], unit, units) if column in _SIZES_BY_KIND else _value(row[at], unit, units)
        cells[of[kind]] = words.format(_spelt(unit, units))
    return cells


def _value(cell: Cell, unit: str, units: Units) -> Cell:
    if cell is None or isinstance(cell, str):
        return cell
    return round(value_in(float(cell), _SIGNS[unit], units), _DECIMALS)


def _size(cell: Cell, unit: str, units: Units) -> Cell:
    if cell is None or isinstance(cell, str):
        return cell
    return round(size_in(float(cell), _SIGNS[unit], units), _DECIMALS)


def _spelt(unit: str, units: Units) -> str:
    sign = unit_in(_SIGNS[unit], units)
    return _SPELT.get(sign, sign)
