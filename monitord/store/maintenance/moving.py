"""A whole database into another one, of another kind perhaps, and the proof that both hold the same.

Everything is written in one transaction of the target, read back in it, and kept only if each table has as many rows
and the same digest: the sum, modulo 2^256, of the SHA-256 of each row. A sum does not ask for an order, which the kinds
of database do not share for texts.
"""

from __future__ import annotations

import hashlib
import json
import pkgutil
from collections.abc import Callable, Iterator
from importlib import import_module
from typing import Any, NamedTuple

from sqlalchemy import Connection, Table, func, insert, inspect, select, text

from monitord.errors import StoreError
from monitord.store import db as rooms
from monitord.store.db.database import Database
from monitord.store.db.tables import metadata, reading
from monitord.store.maintenance.partitions import make_months

_DAY_MS = 86_400_000
_ROWS = 2000
"""Rows that are held at once. Our choice."""


class MovedTable(NamedTuple):
    """What one table holds, on both sides."""

    name: str
    rows: int
    digest: str
    """SHA-256 sum of its rows, in hexadecimal."""


def move_store(
    source: Database, target: Database, told: Callable[[MovedTable], object] = lambda _: None
) -> list[MovedTable]:
    """Copy every table into an empty database of the same schema; no daemon may run on either.

    Raises
    ------
    StoreError : the target is not empty, has refused, or does not hold the same; it is then as empty as before.
    """
    moved = []
    with source.read() as old, target.write() as new:
        tables = _tables(old)
        _need_empty(new, tables, target.url)
        make_months(new, old.execute(select(reading.c.time_ms - reading.c.time_ms % _DAY_MS).distinct()).scalars())
        for table in tables:
            copied = _copy(old, new, table)
            there = MovedTable(table.name, *_digest(_rows(new, table)))
            if copied != there:
                raise StoreError(
                    f"table {table.name} is not the same there: {copied.rows:,} rows went, {there.rows:,} came",
                    where=target.url,
                    why=f"digests {copied.digest[:16]} and {there.digest[:16]}",
                    remedy="Nothing was kept there; what was read is as it was. Report it",
                )
            told(copied)
            moved.append(copied)
        _number_on(new, tables)
    return moved


def _tables(conn: Connection) -> list[Table]:
    """The tables, each after those that it refers to; all that are in any module join the metadata first."""
    for module in pkgutil.iter_modules(rooms.__path__):
        if module.name.endswith("tables"):
            import_module(f"{rooms.__name__}.{module.name}")
    there = set(inspect(conn).get_table_names())
    missing = there - set(metadata.tables) - {"alembic_version"}
    if missing:
        raise StoreError(
            f"the database holds tables that are not monitord's ({', '.join(sorted(missing)[:3])})",
            where=conn.engine.url.render_as_string(hide_password=True),
            remedy="Take them out first: only what is known can be moved",
        )
    return list(metadata.sorted_tables)


def _need_empty(conn: Connection, tables: list[Table], where: str) -> None:
    for table in tables:
        if conn.execute(select(func.count()).select_from(table)).scalar_one():
            raise StoreError(
                f"the database is not empty: it has rows in {table.name}",
                where=where,
                remedy="Give an empty one; nothing was changed",
            )


def _copy(old: Connection, new: Connection, table: Table) -> MovedTable:
    names = [column.name for column in table.columns]

    def written() -> Iterator[tuple[Any, ...]]:
        for rows in _parts(old, table):
            new.execute(insert(table), [dict(zip(names, row, strict=True)) for row in rows])
            yield from rows

    return MovedTable(table.name, *_digest(written()))


def _rows(conn: Connection, table: Table) -> Iterator[tuple[Any, ...]]:
    for rows in _parts(conn, table):
        yield from rows


def _parts(conn: Connection, table: Table) -> Iterator[list[tuple[Any, ...]]]:
    found = conn.execute(select(*table.columns), execution_options={"yield_per": _ROWS})
    for part in found.partitions():
        yield [tuple(row) for row in part]


def _digest(rows: Iterator[tuple[Any, ...]]) -> tuple[int, str]:
    count, total = 0, 0
    for row in rows:
        total += int.from_bytes(hashlib.sha256(json.dumps(row, default=_plain).encode()).digest())
        count += 1
    return count, f"{total % 2**256:064x}"


def _plain(value: object) -> str:
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    raise TypeError(f"no digest of a {type(value).__name__}")


def _number_on(conn: Connection, tables: list[Table]) -> None:
    """Let a server that numbers rows by a sequence go on after those that came with their numbers."""
    if conn.dialect.name != "postgresql":
        return
    for table in tables:
        key = table.autoincrement_column
        if key is not None:
            highest = conn.execute(select(func.max(key))).scalar_one()
            if highest is not None:
                named = {"table": f'"{table.name}"', "column": key.name, "highest": highest}
                conn.execute(text("SELECT setval(pg_get_serial_sequence(:table, :column), :highest)"), named)
