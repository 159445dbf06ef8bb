"""What differs between databases, and how many rows go in at once."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from sqlalchemy import (
    BigInteger,
    Connection,
    Dialect,
    Executable,
    FromClause,
    Insert,
    Select,
    Table,
    TableValuedAlias,
    Text,
    bindparam,
    cast,
    func,
    select,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql import ColumnElement
from sqlalchemy.types import TypeEngine

from monitord.model.series import Array

Row = tuple[Any, ...]
"""The values of a table's columns, in the table's order."""

Excluded = Any
"""In an update on conflict: the columns of the row that was to be inserted."""


def insert_or_ignore(dialect: str, table: Table) -> Insert:
    """Insert; a row whose key is there already is left as it is."""
    if dialect == "postgresql":
        return postgresql.insert(table).on_conflict_do_nothing()
    return sqlite.insert(table).on_conflict_do_nothing()


def insert_or_update(
    dialect: str,
    table: Table,
    update: Callable[[Excluded], dict[str, Any]],
    *,
    key: Sequence[str] | None = None,
    where: Callable[[Excluded], ColumnElement[bool]] | None = None,
    rows: Select[Any] | None = None,
) -> Insert:
    """Insert; where the key (by default the primary key) is there already, update what `update` says.

    `rows`: what is inserted, by the columns in the table's order; None: what is given at execution.
    """
    insert: Any = postgresql.insert(table) if dialect == "postgresql" else sqlite.insert(table)
    if rows is not None:
        insert = insert.from_select([c.name for c in table.columns], rows)
    statement: Insert = insert.on_conflict_do_update(
        index_elements=list(key) if key else [c.name for c in table.primary_key.columns],
        set_=update(insert.excluded),
        where=where(insert.excluded) if where else None,
    )
    return statement


def insert_rows(conn: Connection, statement: Insert, rows: Sequence[Row]) -> None:
    """Insert many rows at once, as `insert_columns` does."""
    if rows:
        insert_columns(conn, statement, list(zip(*rows, strict=True)))


def insert_columns(conn: Connection, statement: Insert, columns: Sequence[Sequence[Any]]) -> None:
    """Insert many rows at once, given by columns in the table's order; at least one row.

    By position straight through SQLite's driver, and as one array a column to PostgreSQL: that costs a quarter and a
    third of what a dictionary for each row does. A column that no row has a value for is left out: to hand over five
    times None costs SQLite's driver as much as the rest of a reading (1.7 us).
    """
    given = [place for place, column in enumerate(columns) if column.count(None) < len(column)]
    named = [column.name for column in statement.table.columns]
    names = tuple(named[place] for place in given)
    if conn.dialect.name == "postgresql":
        conn.execute(_from_arrays(statement, names), {named[place]: list(columns[place]) for place in given})
        return
    text, encoders = _compiled(statement, conn.dialect, names)
    if text is None:
        conn.execute(statement, [dict(zip(named, row, strict=True)) for row in zip(*columns, strict=True)])
        return
    values = (
        columns[place] if encode is None else map(encode, columns[place])
        for place, encode in zip(given, encoders, strict=True)
    )
    conn.exec_driver_sql(text, list(zip(*values, strict=True)))


Encoder = Callable[[Any], Any]


@lru_cache(maxsize=64)
def _compiled(
    statement: Insert, dialect: Dialect, names: tuple[str, ...]
) -> tuple[str | None, tuple[Encoder | None, ...]]:
    """A statement for SQLite with its values in the order of the names, and what each column makes of its values.

    None where the statement has values of its own besides, as an update on conflict may.
    """
    table = statement.table.columns
    encoders = [table[name].type.dialect_impl(dialect).bind_processor(dialect) for name in names]
    compiled = statement.compile(dialect=dialect, column_keys=list(names))
    return compiled.string if tuple(compiled.positiontup or ()) == names else None, tuple(encoders)


@lru_cache(maxsize=64)
def _from_arrays(statement: Insert, names: tuple[str, ...]) -> Insert:
    """The same for PostgreSQL with an array for each column: one statement however many rows there are."""
    table = statement.table.columns
    arrays = [bindparam(name, type_=postgresql.ARRAY(table[name].type)) for name in names]
    given = func.unnest(*arrays).table_valued(*names, name="given").render_derived()
    return statement.from_select(list(names), select(*given.c))


def ids_of(conn: Connection, table: Table, names: Iterable[str]) -> dict[str, int]:
    """The number of each name in a table of names; a name that is new gets one."""
    wanted = sorted(set(names))
    found = known_ids(conn, table, wanted)
    missing = [name for name in wanted if name not in found]
    if missing:
        conn.execute(_insert_names(conn.dialect.name, table), [{"name": name} for name in missing])
        found |= known_ids(conn, table, missing)
    return found


def known_ids(conn: Connection, table: Table, names: Sequence[str]) -> dict[str, int]:
    """The number of each name that a table of names has."""
    rows = conn.execute(_ids_of_names(conn.dialect.name, table), {"names": json.dumps(names)})
    return {name: number for name, number in rows}


def names_of(conn: Connection, table: Table, numbers: Iterable[int]) -> dict[int, str]:
    """The name of each number in a table of names."""
    pairs = as_pairs((number, 0) for number in sorted(set(numbers)))
    given = probe_hours(conn.dialect.name)
    found = select(table.c.id, table.c.name).join_from(given, table, table.c.id == given.c.probe_id)
    return {number: name for number, name in conn.execute(found, {"pairs": pairs})}


@lru_cache(maxsize=8)
def _ids_of_names(dialect: str, table: Table) -> Select[Any]:
    item = given_names(dialect)
    return select(table.c.name, table.c.id).join_from(item, table, table.c.name == cast(item.c.value, Text))


def given_names(dialect: str) -> TableValuedAlias:
    """Names given as a JSON list, the parameter `names`: column value, to be cast to a text."""
    given = bindparam("names", type_=Text)
    if dialect == "postgresql":
        return func.json_array_elements_text(cast(given, postgresql.JSON)).table_valued("value", name="item")
    return func.json_each(given).table_valued("value", name="item")


@lru_cache(maxsize=8)
def _insert_names(dialect: str, table: Table) -> Insert:
    return insert_or_ignore(dialect, table)


def columns_of(conn: Connection, statement: Executable, parameters: dict[str, Any], width: int) -> Array:
    """The result of a query for numbers, one row of the array for each column; NULL is NaN. (width, n)"""
    cursor = conn.execute(statement, parameters).cursor  # the driver's rows: numbers need no other form
    rows = [] if cursor is None else cursor.fetchall()
    if not rows:
        return np.empty((width, 0))
    return np.ascontiguousarray(np.array(rows, dtype=np.float64).T)


def probe_times(dialect: str) -> FromClause:
    """Pairs of a probe's name and a time, given as the parameter `pairs` (see `as_pairs`): columns n, probe, time_ms.

    One statement then looks up any number of keys.
    """
    return _pairs(dialect, "probe", Text(), "time_ms")


def probe_hours(dialect: str) -> FromClause:
    """The same with a probe's number and an hour: columns n, probe_id, hour."""
    return _pairs(dialect, "probe_id", BigInteger(), "hour")


def _pairs(dialect: str, first: str, first_type: TypeEngine[Any], second: str) -> FromClause:
    given = bindparam("pairs", type_=Text)
    if dialect == "postgresql":
        item = func.json_array_elements(cast(given, postgresql.JSON)).table_valued("value", name="item")
        parts: list[ColumnElement[Any]] = [item.c.value.op("->>")(index) for index in range(3)]
    else:
        item = func.json_each(given).table_valued("value", name="item")
        parts = [func.json_extract(item.c.value, f"$[{index}]") for index in range(3)]
    n, one, other = parts
    return select(
        cast(n, BigInteger).label("n"), cast(one, first_type).label(first), cast(other, BigInteger).label(second)
    ).subquery("pair")


def as_pairs(pairs: Iterable[tuple[str | int, int]]) -> str:
    """The parameter of `probe_times` and `probe_hours`; `n` counts from 0."""
    return json.dumps([(n, *pair) for n, pair in enumerate(pairs)])
