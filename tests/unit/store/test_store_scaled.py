"""Values of a short decimal form take few bytes, and every finite double comes back to the last bit."""

from __future__ import annotations

import struct

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import Column, Double, Integer, MetaData, Table, create_engine, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.schema import CreateTable

from monitord.store.db.scaled import encoder, scaled
from monitord.store.db.statements import insert_rows

TABLE = Table(
    "t", MetaData(), Column("n", Integer, primary_key=True), *(Column(f"v{per}", scaled(per)) for per in (1, 100, 1000))
)
ENGINE = create_engine("sqlite://")
TABLE.metadata.create_all(ENGINE)


def bits(value: float) -> bytes:
    return struct.pack(">d", value)


a_double = st.floats(allow_nan=False, allow_infinity=False)
a_decimal = st.integers(-(10**11), 10**11).flatmap(lambda n: st.sampled_from([n / 10, n / 100, n / 1000, float(n)]))


@settings(max_examples=400, deadline=None)
@example([-0.0, 0.0, 1820.0, 21474836.47, 21474836.48, -21474836.48, 5e-324, 1.7976931348623157e308])
@given(st.lists(a_double | a_decimal, min_size=1, max_size=20))
def test_every_finite_double_comes_back_to_the_last_bit(values: list[float]) -> None:
    with ENGINE.begin() as conn:
        conn.execute(TABLE.delete())
        insert_rows(conn, insert(TABLE), [(n, value, value, value) for n, value in enumerate(values)])
        found = conn.execute(select(TABLE).order_by(TABLE.c.n)).all()
    assert [tuple(map(bits, row[1:])) for row in found] == [(bits(value),) * 3 for value in values]


@given(st.integers(-(2**31) + 1, 2**31 - 1), st.sampled_from([1, 10, 100, 1000]))
def test_whole_numbers_of_the_unit_are_kept_as_such(n: int, per: int) -> None:
    kept = encoder(per)(n / per)
    assert kept == n
    assert isinstance(kept, int)


@pytest.mark.parametrize("value", [18.205, -0.0, 2.0**31, 1e300])
def test_anything_else_is_kept_as_a_double(value: float) -> None:
    kept = encoder(100)(value)
    assert isinstance(kept, float)
    assert bits(kept) == bits(value)


def test_what_an_encoder_remembers_changes_nothing_and_is_bounded() -> None:
    encode = encoder(100)
    values = [0.0, -0.0, 18.205, *(n / 100 for n in range(1, 10_050)), 0.0, -0.0, 18.205, 0.01]
    expected = [encoder(100)(value) for value in values]
    assert [repr(encode(value)) for value in values] == [repr(value) for value in expected]
    assert [repr(value) for value in expected[:3]] == ["0", "-0.0", "18.205"]
    assert encode(None) is None
    assert len(getattr(encode, "__self__")) < 10_000  # noqa: B009
    getattr(encode, "__self__").clear()  # noqa: B009
    assert encode(None) is None, "while another thread begins anew"


def test_other_ways_to_write_encode_as_well() -> None:
    with ENGINE.begin() as conn:
        conn.execute(TABLE.delete())
        conn.execute(insert(TABLE), [{"n": 1, "v100": 3.05}])
        conn.execute(update(TABLE).values(v1=-71.0))
        assert conn.exec_driver_sql("SELECT v1, v100, v1000 FROM t").all() == [(-71, 305, None)]
        assert conn.execute(select(TABLE.c.n).where(TABLE.c.v100 == 3.05)).scalar_one() == 1
        assert conn.execute(select(TABLE.c.v1, TABLE.c.v100, TABLE.c.v1000)).all() == [(-71.0, 3.05, None)]


def test_a_database_with_types_keeps_doubles() -> None:
    """SQLite, "Datatypes in SQLite" 3.1: a column declared as BLOB has no affinity, so that nothing is converted."""
    assert str(CreateTable(TABLE).compile(dialect=postgresql.dialect())).count("DOUBLE PRECISION") == 3
    assert str(CreateTable(TABLE).compile(dialect=sqlite.dialect())).count("BLOB") == 3
    shown = str(select(TABLE.c.v100).compile(dialect=postgresql.dialect()))
    assert "CASE" not in shown
    assert isinstance(TABLE.c.v100.type, Double)
