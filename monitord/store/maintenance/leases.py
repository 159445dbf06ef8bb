"""Who works on what, where several processes share the work of one database.

A lease is claimed for a time, by the database's clock, and may be taken by another once that has run out. Its fence
goes up with each claim. What was worked out under a lease is committed together with `finish`, which holds only for the
newest fence: a process that stood still past its time can't put what it knew over what another has found since.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

from sqlalchemy import Connection, Insert, Update, and_, bindparam, delete, or_, select, text, update

from monitord.store.db.statements import insert_or_ignore, insert_or_update
from monitord.store.db.work_tables import lease, worker

_FREE = 0
_DAY_MS = 86_400_000


class Lease(NamedTuple):
    """The right to work on something."""

    kind: str
    name: str
    holder: str
    fence: int


def database_ms(conn: Connection) -> int:
    """Now, by the database's clock: the one that all who share it have in common. [ms]"""
    return int(conn.execute(_NOW[conn.dialect.name]).scalar_one())


# --- leases ------------------------------------------------------------------------------------------------------


def claim(
    conn: Connection, kind: str, names: Sequence[str], holder: str, now_ms: int, until_ms: int
) -> dict[str, Lease]:
    """Take what is free, has run out or is the holder's own, by name; what others hold or take just now is left out."""
    wanted = sorted(set(names))
    if not wanted:
        return {}
    new = {"kind": kind, "holder": "", "fence": 0, "until_ms": _FREE}
    known = set(conn.execute(select(_l.name).where(_l.kind == kind, _l.name.in_(wanted))).scalars())
    if missing := [{**new, "name": name} for name in wanted if name not in known]:
        conn.execute(_insert(conn.dialect.name), missing)
    free = or_(_l.until_ms <= now_ms, _l.holder == holder)
    chosen = select(_l.name, _l.fence).where(_l.kind == kind, _l.name.in_(wanted), free).order_by(_l.name)
    taken = [
        Lease(kind, name, holder, fence + 1) for name, fence in conn.execute(chosen.with_for_update(skip_locked=True))
    ]
    if taken:
        rows = [{"k": kind, "n": one.name, "h": holder, "f": one.fence, "u": until_ms} for one in taken]
        conn.execute(_TAKE, rows)
    return {one.name: one for one in taken}


def renew(conn: Connection, held: Lease, until_ms: int) -> bool:
    """Hold it for longer; False: another has it."""
    return conn.execute(_of(held).values(until_ms=until_ms)).rowcount == 1


def finish(conn: Connection, held: Lease) -> bool:
    """Give it back in the transaction that keeps what was done under it; False: another has it, keep nothing."""
    return renew(conn, held, _FREE)


def give_back_all(conn: Connection, holder: str) -> None:
    """Whatever a holder has, since it goes."""
    conn.execute(update(lease).where(_l.holder == holder).values(until_ms=_FREE))


# --- who is there ------------------------------------------------------------------------------------------------


def announce(conn: Connection, id_: str, roles: Iterable[str], now_ms: int, until_ms: int) -> None:
    """A sign of life; who gave none for a day is forgotten."""
    row = {"id": id_, "roles": f" {' '.join(sorted(roles))} ", "until_ms": until_ms}
    conn.execute(_announce(conn.dialect.name), row)
    conn.execute(delete(worker).where(_w.until_ms < now_ms - _DAY_MS))


def withdraw(conn: Connection, id_: str) -> None:
    """It goes."""
    conn.execute(delete(worker).where(_w.id == id_))


def living(conn: Connection, role: str, now_ms: int) -> list[str]:
    """Ids of those with a role whose last sign of life counts still, in order."""
    there = and_(_w.roles.contains(f" {role} ", autoescape=True), _w.until_ms > now_ms)
    return list(conn.execute(select(_w.id).where(there).order_by(_w.id)).scalars())


def count_living(conn: Connection) -> dict[str, int]:
    """How many have each role; none where one process does everything."""
    now_ms = database_ms(conn)
    found = conn.execute(select(_w.roles).where(_w.until_ms > now_ms)).scalars()
    return dict(sorted(Counter(role for roles in found for role in roles.split()).items()))


# --- statements --------------------------------------------------------------------------------------------------

_l, _w = lease.c, worker.c

_NOW = {
    "postgresql": text("SELECT floor(extract(epoch FROM clock_timestamp()) * 1000)"),
    "sqlite": text("SELECT round((julianday('now') - 2440587.5) * 86400000)"),
}

_TAKE = (
    update(lease)
    .where(_l.kind == bindparam("k"), _l.name == bindparam("n"))
    .values(holder=bindparam("h"), fence=bindparam("f"), until_ms=bindparam("u"))
)


def _of(held: Lease) -> Update:
    return update(lease).where(
        _l.kind == held.kind, _l.name == held.name, _l.holder == held.holder, _l.fence == held.fence
    )


@lru_cache(maxsize=4)
def _insert(dialect: str) -> Insert:
    return insert_or_ignore(dialect, lease)


@lru_cache(maxsize=4)
def _announce(dialect: str) -> Insert:
    return insert_or_update(dialect, worker, lambda excluded: {"roles": excluded.roles, "until_ms": excluded.until_ms})
