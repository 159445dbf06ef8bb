"""Numbers for the names of probes and gateways, whole hundredths for values that are such: half the bytes a reading.

What is read out stays the same, to the last bit. The tables are written anew, in the order of their keys; the pages
that they leave free are used by what comes (`VACUUM` gives them back).
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_HOUR_MS = 3_600_000
_MAX = 2**31
_WHOLE: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.LargeBinary(), "sqlite")
"""For SQLite a column without affinity: whole numbers and doubles stay what they are."""
_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_REWRITTEN = ("reading", "hourly", "touched_hour", "heard")
_MEASURED = {
    "temperature_c": 100,
    "relative_humidity_pct": 100,
    "surface_temperature_c": 100,
    "battery_v": 100,
    "battery_pct": 100,
    "pressure_hpa": 100,
    "rssi_dbm": 1,
}
_ROLLED_UP = {
    "temperature_c": 1000,
    "relative_humidity_pct": 1000,
    "surface_temperature_c": 1000,
    "temperature_min_c": 100,
    "temperature_max_c": 100,
    "relative_humidity_min_pct": 100,
    "relative_humidity_max_pct": 100,
}
"""Columns of values, and how many parts of one they are whole numbers of."""
_OPTIONAL = frozenset({"surface_temperature_c", "battery_v", "battery_pct", "pressure_hpa", "rssi_dbm"})


def upgrade() -> None:
    """Give each name a number, and copy."""
    _put_aside()
    for table in ("probe_name", "gateway_name"):
        op.create_table(
            table,
            sa.Column("id", _ID, nullable=False),
            sa.Column("name", sa.Text, nullable=False),
            sa.PrimaryKeyConstraint("id", name=f"pk_{table}"),
            sa.UniqueConstraint("name", name=f"uq_{table}_name"),
        )
    names = " UNION ".join(f"SELECT probe FROM old_{table}" for table in _REWRITTEN)
    op.execute(f"INSERT INTO probe_name (name) SELECT probe FROM ({names}) AS known ORDER BY probe")
    op.execute(
        "INSERT INTO gateway_name (name) SELECT DISTINCT gateway FROM old_reading WHERE gateway IS NOT NULL ORDER BY 1"
    )
    _create_new()
    _copy_new()
    _drop_old()


def downgrade() -> None:
    """Names and doubles again."""
    _put_aside()
    _create_old()
    _copy_old()
    _drop_old()
    op.drop_table("gateway_name")
    op.drop_table("probe_name")


def _put_aside() -> None:
    for table in _REWRITTEN:
        op.rename_table(table, f"old_{table}")
        if op.get_bind().dialect.name == "postgresql":
            op.execute(f"ALTER INDEX pk_{table} RENAME TO pk_old_{table}")


def _drop_old() -> None:
    for table in _REWRITTEN:
        op.drop_table(f"old_{table}")


def _number(name: str, type_: type[sa.Integer] = sa.BigInteger, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, type_, nullable=nullable, autoincrement=False)


def _name() -> sa.Column[str]:
    return sa.Column("probe", sa.Text, nullable=False)


def _values(columns: dict[str, int], *, whole: bool) -> list[sa.Column[float]]:
    return [sa.Column(name, _WHOLE if whole else sa.Double(), nullable=name in _OPTIONAL) for name in columns]


def _create_new() -> None:
    op.create_table(
        "reading",
        _number("probe_id", sa.Integer),
        _number("time_ms"),
        *_values(_MEASURED, whole=True),
        _number("gateway_id", sa.Integer, nullable=True),
        _number("delay_ms"),
        _number("live_ms", nullable=True),
        sa.PrimaryKeyConstraint("probe_id", "time_ms", name="pk_reading"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "hourly",
        _number("probe_id", sa.Integer),
        _number("hour"),
        _number("count", sa.Integer),
        *_values(_ROLLED_UP, whole=True),
        _number("delay_ms"),
        sa.PrimaryKeyConstraint("probe_id", "hour", name="pk_hourly"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "touched_hour",
        _number("probe_id", sa.Integer),
        _number("hour"),
        sa.PrimaryKeyConstraint("probe_id", "hour", name="pk_touched_hour"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "heard",
        _number("probe_id", sa.Integer),
        *(_number(name) for name in ("heard_ms", "time_ms", "received_ms")),
        sa.PrimaryKeyConstraint("probe_id", name="pk_heard"),
        sqlite_with_rowid=False,
    )


def _create_old() -> None:
    op.create_table(
        "reading",
        _name(),
        _number("time_ms"),
        *_values(_MEASURED, whole=False),
        sa.Column("gateway", sa.Text),
        _number("received_ms"),
        _number("live_ms", nullable=True),
        sa.PrimaryKeyConstraint("probe", "time_ms", name="pk_reading"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "hourly",
        _name(),
        _number("hour_ms"),
        _number("count", sa.Integer),
        *_values(_ROLLED_UP, whole=False),
        _number("received_ms"),
        sa.PrimaryKeyConstraint("probe", "hour_ms", name="pk_hourly"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "touched_hour",
        _name(),
        _number("hour_ms"),
        sa.PrimaryKeyConstraint("probe", "hour_ms", name="pk_touched_hour"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "heard",
        _name(),
        *(_number(name) for name in ("heard_ms", "time_ms", "received_ms")),
        sa.PrimaryKeyConstraint("probe", name="pk_heard"),
        sqlite_with_rowid=False,
    )


def _encoded(name: str, per: int) -> str:
    """As `scaled` encodes it."""
    value = f"o.{name}"
    if op.get_bind().dialect.name != "sqlite":
        return value
    number = f"CAST(round({value} * {per}) AS INTEGER)"
    return f"CASE WHEN abs({value}) < {_MAX / per!r} AND {number} / {per}.0 = {value} THEN {number} ELSE {value} END"


def _decoded(name: str, per: int) -> str:
    value = f"o.{name}"
    if op.get_bind().dialect.name != "sqlite":
        return value
    return f"CASE typeof({value}) WHEN 'integer' THEN {value} / {per}.0 ELSE {value} END"


def _copy_new() -> None:
    measured = ", ".join(_encoded(*column) for column in _MEASURED.items())
    rolled_up = ", ".join(_encoded(*column) for column in _ROLLED_UP.items())
    known = "JOIN probe_name p ON p.name = o.probe"
    op.execute(
        f"INSERT INTO reading (probe_id, time_ms, {', '.join(_MEASURED)}, gateway_id, delay_ms, live_ms) "
        f"SELECT p.id, o.time_ms, {measured}, g.id, o.received_ms - o.time_ms, o.live_ms FROM old_reading o {known} "
        "LEFT JOIN gateway_name g ON g.name = o.gateway ORDER BY p.id, o.time_ms"
    )
    op.execute(
        f"INSERT INTO hourly (probe_id, hour, count, {', '.join(_ROLLED_UP)}, delay_ms) "
        f"SELECT p.id, o.hour_ms / {_HOUR_MS}, o.count, {rolled_up}, o.received_ms - o.hour_ms "
        f"FROM old_hourly o {known} ORDER BY p.id, o.hour_ms"
    )
    op.execute(
        f"INSERT INTO touched_hour (probe_id, hour) SELECT p.id, o.hour_ms / {_HOUR_MS} FROM old_touched_hour o {known}"
    )
    op.execute(
        "INSERT INTO heard (probe_id, heard_ms, time_ms, received_ms) "
        f"SELECT p.id, o.heard_ms, o.time_ms, o.received_ms FROM old_heard o {known}"
    )


def _copy_old() -> None:
    measured = ", ".join(_decoded(*column) for column in _MEASURED.items())
    rolled_up = ", ".join(_decoded(*column) for column in _ROLLED_UP.items())
    known = "JOIN probe_name p ON p.id = o.probe_id"
    op.execute(
        f"INSERT INTO reading (probe, time_ms, {', '.join(_MEASURED)}, gateway, received_ms, live_ms) "
        f"SELECT p.name, o.time_ms, {measured}, g.name, o.time_ms + o.delay_ms, o.live_ms FROM old_reading o {known} "
        "LEFT JOIN gateway_name g ON g.id = o.gateway_id"
    )
    op.execute(
        f"INSERT INTO hourly (probe, hour_ms, count, {', '.join(_ROLLED_UP)}, received_ms) "
        f"SELECT p.name, o.hour * {_HOUR_MS}, o.count, {rolled_up}, o.hour * {_HOUR_MS} + o.delay_ms "
        f"FROM old_hourly o {known}"
    )
    op.execute(
        f"INSERT INTO touched_hour (probe, hour_ms) SELECT p.name, o.hour * {_HOUR_MS} FROM old_touched_hour o {known}"
    )
    op.execute(
        "INSERT INTO heard (probe, heard_ms, time_ms, received_ms) "
        f"SELECT p.name, o.heard_ms, o.time_ms, o.received_ms FROM old_heard o {known}"
    )
