"""Sessions of people, and links that work once: both can be ended, since they are rows."""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from monitord.errors import AccessError
from monitord.model.access import Person, Role, Session
from monitord.store.access.digests import digest_of, new_secret
from monitord.store.access.people import jobs_of
from monitord.store.db.access_tables import one_time_link, person
from monitord.store.db.access_tables import session as _table
from monitord.store.db.times import from_ms, to_ms

_s, _l = _table.c, one_time_link.c
SEEN_EVERY = timedelta(minutes=5)
"""How finely it is kept when a session was last used: not a write for every page."""


def open_session(
    conn: Connection, who: str, at: datetime, lasts: timedelta, address: str = "", device: str = ""
) -> str:
    """A new session; returns the secret that its cookie holds. Sessions that are over are forgotten."""
    conn.execute(delete(_table).where(_s.expires_ms <= to_ms(at)))
    secret, now = new_secret(), to_ms(at)
    times = {"made_ms": now, "seen_ms": now, "expires_ms": to_ms(at + lasts)}
    conn.execute(
        insert(_table), {"digest": digest_of(secret), "person": who, "address": address, "device": device, **times}
    )
    return secret


def find_session(conn: Connection, secret: str, at: datetime) -> tuple[Session, Person] | None:
    """The session of a cookie and whose it is; None: it is over, was ended, or never was."""
    chosen = (
        select(_table, person.c.name, person.c.role, person.c.jobs)
        .join_from(_table, person, person.c.person == _s.person)
        .where(_s.digest == digest_of(secret), _s.ended_ms.is_(None), _s.expires_ms > to_ms(at))
        .where(person.c.ended_ms.is_(None))
    )
    row = conn.execute(chosen).first()
    if row is None:
        return None
    role = Role(row.role)
    return _session(row), Person(row.person, row.name, role, jobs_of(role, row.jobs), has_password=True)


def note_seen(conn: Connection, digest: str, at: datetime) -> None:
    """A session was used."""
    conn.execute(update(_table).where(_s.digest == digest).values(seen_ms=to_ms(at)))


def sessions_of(conn: Connection, who: str, at: datetime) -> list[Session]:
    """The sessions of a person that stand, the one used last first."""
    chosen = select(_table).where(_s.person == who, _s.ended_ms.is_(None), _s.expires_ms > to_ms(at))
    return [_session(row) for row in conn.execute(chosen.order_by(_s.seen_ms.desc(), _s.digest))]


def end_session(conn: Connection, who: str, digest: str, at: datetime) -> bool:
    """End one session of a person; whether there was one that stood."""
    ended = update(_table).where(_s.person == who, _s.digest == digest, _s.ended_ms.is_(None))
    return conn.execute(ended.values(ended_ms=to_ms(at))).rowcount == 1


def end_sessions(conn: Connection, who: str, at: datetime, but: str = "") -> None:
    """End all sessions of a person, but for one."""
    ended = update(_table).where(_s.person == who, _s.digest != but, _s.ended_ms.is_(None))
    conn.execute(ended.values(ended_ms=to_ms(at)))


def _session(row: Any) -> Session:
    times = (from_ms(row.made_ms), from_ms(row.seen_ms), from_ms(row.expires_ms))
    return Session(row.digest, row.person, *times, row.address, row.device)


# --- links that work once -------------------------------------------------------------------------------------


class LinkPurpose(StrEnum):
    """What a one-time link is for."""

    PASSWORD = "password"
    """Set a password; without a person: become an owner."""
    ENTER = "enter"
    """Sign in as a person, without a password."""


def make_link(conn: Connection, purpose: LinkPurpose, who: str | None, at: datetime, lasts: timedelta) -> str:
    """A new link's secret. An earlier one of that purpose for that person no longer works."""
    conn.execute(delete(one_time_link).where(_l.purpose == purpose.value, _l.person.is_not_distinct_from(who)))
    secret = new_secret()
    row = {"digest": digest_of(secret), "purpose": purpose.value, "person": who}
    conn.execute(insert(one_time_link), row | {"made_ms": to_ms(at), "expires_ms": to_ms(at + lasts)})
    return secret


def link_person(conn: Connection, secret: str, purpose: LinkPurpose, at: datetime) -> str | None:
    """Whom a link is for (None: a new owner). Looking does not use it up.

    Raises
    ------
    AccessError : it was used, is over, or never was.
    """
    row = conn.execute(select(one_time_link).where(_l.digest == digest_of(secret), _l.purpose == purpose.value)).first()
    if row is None or row.used_ms is not None or row.expires_ms <= to_ms(at):
        raise AccessError("This link has been used or is over", remedy="Ask for a new one")
    found: str | None = row.person
    return found


def use_link(conn: Connection, secret: str, purpose: LinkPurpose, at: datetime) -> str | None:
    """Use a link up; whom it is for (None: a new owner).

    Raises
    ------
    AccessError : it was used, is over, or never was.
    """
    who = link_person(conn, secret, purpose, at)
    conn.execute(update(one_time_link).where(_l.digest == digest_of(secret)).values(used_ms=to_ms(at)))
    return who
