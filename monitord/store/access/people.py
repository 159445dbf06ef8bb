"""People who may sign in, and the tries that failed."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from monitord.errors import AccessError
from monitord.model.access import Person, Role
from monitord.store.db.access_tables import person as _table
from monitord.store.db.access_tables import session, sign_in_failure
from monitord.store.db.times import from_ms, to_ms

_p, _f = _table.c, sign_in_failure.c


def people(conn: Connection) -> list[Person]:
    """All people, those whose access was ended too, by name."""
    return [_person(row) for row in conn.execute(select(_table).order_by(func.lower(_p.name), _p.person))]


def get_person(conn: Connection, person: str) -> Person | None:
    """The person who signs in by that name."""
    row = conn.execute(select(_table).where(_p.person == person)).first()
    return None if row is None else _person(row)


def password_of(conn: Connection, person: str) -> str | None:
    """The hash of the password of someone whose access stands; None: no such person, or no password."""
    chosen = select(_p.password).where(_p.person == person, _p.ended_ms.is_(None))
    found: str | None = conn.execute(chosen).scalar_one_or_none()
    return found


def add_person(
    conn: Connection, person: str, name: str, role: Role, jobs: frozenset[str] | None, at: datetime
) -> Person:
    """Let someone in; they have no password yet.

    Raises
    ------
    AccessError : that name to sign in with is taken.
    """
    if get_person(conn, person) is not None:
        raise AccessError(f"{person!r} is taken", remedy="Choose another name to sign in with")
    made = {"person": person, "name": name, "role": role.value, "jobs": _listed(jobs), "made_ms": to_ms(at)}
    conn.execute(insert(_table), made)
    return Person(person, name, role, None if role is Role.OWNER else jobs, has_password=False)


def change_person(conn: Connection, person: str, role: Role, jobs: frozenset[str] | None) -> Person:
    """Give someone another role, or other jobs; holds from their next request on.

    Raises
    ------
    AccessError : there is no such person, or nobody would own the place any more.
    """
    _keep_an_owner(conn, person, stays=role is Role.OWNER)
    conn.execute(update(_table).where(_p.person == person).values(role=role.value, jobs=_listed(jobs)))
    return _known(conn, person)


def end_person(conn: Connection, person: str, at: datetime) -> None:
    """End someone's access, with all their sessions; what they did stays on record.

    Raises
    ------
    AccessError : there is no such person, or nobody would own the place any more.
    """
    _keep_an_owner(conn, person, stays=False)
    conn.execute(update(_table).where(_p.person == person).values(ended_ms=to_ms(at), password=None))
    conn.execute(delete(session).where(session.c.person == person))


def set_password(conn: Connection, person: str, hashed: str) -> None:
    """Keep a new password's hash; access that was ended stands again."""
    conn.execute(update(_table).where(_p.person == person).values(password=hashed, ended_ms=None))


def owners(conn: Connection) -> int:
    """How many people own the place: with a password, and access that stands."""
    chosen = select(func.count()).where(_p.role == Role.OWNER.value, _p.ended_ms.is_(None), _p.password.is_not(None))
    return int(conn.execute(chosen).scalar_one())


def _keep_an_owner(conn: Connection, person: str, *, stays: bool) -> None:
    known = _known(conn, person)
    if known.role is Role.OWNER and known.has_password and not stays and owners(conn) <= 1:
        raise AccessError(f"{known.name} is the only owner", remedy="Make someone else an owner first")


def _known(conn: Connection, person: str) -> Person:
    found = get_person(conn, person)
    if found is None:
        raise AccessError(f"nobody signs in as {person!r}", remedy="Look at the list of people")
    return found


def _listed(jobs: frozenset[str] | None) -> str | None:
    return None if jobs is None else json.dumps(sorted(jobs), ensure_ascii=False)


def jobs_of(role: Role, listed: str | None) -> frozenset[str] | None:
    """The jobs that someone may see; None: all."""
    return None if role is Role.OWNER or listed is None else frozenset(json.loads(listed))


def _person(row: Any) -> Person:
    role = Role(row.role)
    ended = None if row.ended_ms is None else from_ms(row.ended_ms)
    return Person(row.person, row.name, role, jobs_of(role, row.jobs), row.password is not None, ended)


# --- failures -------------------------------------------------------------------------------------------------


def count_failures(conn: Connection, since: datetime, *, person: str | None = None, address: str | None = None) -> int:
    """How many tries to sign in failed since a time, for a name, from an address, or both."""
    chosen = select(func.count()).select_from(sign_in_failure).where(_f.at_ms >= to_ms(since))
    if person is not None:
        chosen = chosen.where(_f.person == person)
    if address is not None:
        chosen = chosen.where(_f.address == address)
    return int(conn.execute(chosen).scalar_one())


def note_failure(conn: Connection, person: str, address: str, at: datetime) -> None:
    """Count a try as failed, before the password is looked at: tries side by side can't slip through."""
    conn.execute(insert(sign_in_failure), {"person": person, "address": address, "at_ms": to_ms(at)})


def forget_failures(conn: Connection, person: str, address: str, before: datetime) -> None:
    """After a success: the failures of that name from that address; and everybody's old ones."""
    conn.execute(delete(sign_in_failure).where(_f.person == person, _f.address == address))
    conn.execute(delete(sign_in_failure).where(_f.at_ms < to_ms(before)))
