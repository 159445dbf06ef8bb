"""Numbers of a short decimal form, kept in the two or three bytes that they need."""

from __future__ import annotations

from collections.abc import Callable
from math import copysign
from typing import Any

from sqlalchemy import Double, case, func, literal_column
from sqlalchemy.engine import Dialect
from sqlalchemy.sql import ColumnElement
from sqlalchemy.types import TypeEngine, UserDefinedType

_MAX = 2**31
"""Whole numbers below it take SQLite four bytes at most, and their quotients are the same in every program."""

_REMEMBERED = 10_000
"""Values of which an encoder keeps what stands for them: those of sensors come again and again. Our choice."""


def encoder(per: int) -> Callable[[float | None], float | int | None]:
    """What stands in the database for a value: a whole number of 1/`per` where the value is its quotient, else itself.

    Exact for every finite double: n / per is rounded to the nearest double (IEEE 754), here as in SQLite, and a value
    is replaced only where that gives it back. Zero with a minus sign is not replaced, since 0 / per has none.
    """
    return _Known(per).__getitem__


class _Known(dict[float | None, float | int | None]):
    """What stands for each value, computed when it is first asked for; zeros are not kept, as both are one key."""

    def __init__(self, per: int) -> None:
        super().__init__({None: None})
        self._per = per
        self._bound = _MAX / per

    def __missing__(self, value: float | None) -> float | int | None:
        if value is None:
            return None  # another thread has just cleared all
        kept: float | int = float(value)
        if -self._bound < value < self._bound:
            n = round(value * self._per)
            if n / self._per == value and (n or copysign(1.0, value) > 0):
                kept = n
        if value:
            if len(self) >= _REMEMBERED:
                self.clear()
                self[None] = None
            self[value] = kept
        return kept


class _Scaled(UserDefinedType[float]):
    """SQLite's side: a column without affinity, so that whole numbers and doubles stay what they are."""

    cache_ok = True

    def __init__(self, per: int) -> None:
        self.per = per

    def get_col_spec(self, **_: Any) -> str:
        return "BLOB"

    def bind_processor(self, dialect: Dialect) -> Callable[[float | None], float | int | None]:
        return encoder(self.per)

    def column_expression(self, colexpr: ColumnElement[Any]) -> ColumnElement[Any]:
        whole = func.typeof(colexpr) == literal_column("'integer'")
        return case((whole, colexpr / literal_column(f"{self.per}.0", Double)), else_=colexpr)


def scaled(per: int) -> TypeEngine[float]:
    """The type of a column of doubles that are mostly whole numbers of 1/`per`; other databases keep doubles."""
    return Double().with_variant(_Scaled(per), "sqlite")
