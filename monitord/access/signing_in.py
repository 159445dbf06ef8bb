"""Signing in: failures are counted first, then the password is looked at; and what one-time links do."""

from __future__ import annotations

from datetime import datetime, timedelta

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import Connection

from monitord.access import passwords
from monitord.errors import AccessError
from monitord.model.access import Person, PersonId, Role
from monitord.store.access import audit, people, sessions
from monitord.store.access.sessions import LinkPurpose
from monitord.store.db.database import Database

WINDOW = timedelta(minutes=15)
MAX_FOR_BOTH, MAX_FROM_ADDRESS, MAX_FOR_NAME = 5, 20, 50
"""Failures in `WINDOW` after which a name from one address, an address, or a name has to wait (our choice). A name's
own limit is the widest: someone elsewhere who guesses must not lock its owner out for long."""
SESSION_LASTS = timedelta(days=30)
"""At most this long after signing in (our choice)."""
INVITATION_LASTS = timedelta(days=3)
OWNER_LINK_LASTS = timedelta(hours=24)
_WRONG = "Name and password don't fit together"
_PERSON: TypeAdapter[str] = TypeAdapter(PersonId)


class TooManyTriesError(AccessError):
    """Too many tries failed within `WINDOW`."""


def sign_in(db: Database, person: str, password: str, at: datetime, address: str, device: str) -> str:
    """Sign someone in; returns the secret for the cookie.

    Raises
    ------
    TooManyTriesError : too many failures; the password was not looked at.
    AccessError : name and password don't fit; which of the two is not said.
    """
    who = person.strip().casefold()[:64]
    with db.write() as conn:
        _refuse_a_flood(conn, who, address, at)
        people.note_failure(conn, who, address, at)
        hashed = people.password_of(conn, who)
    if not passwords.verify(password, hashed):
        raise AccessError(_WRONG, remedy="Try again; after five tries you have to wait")
    with db.write() as conn:
        if people.password_of(conn, who) != hashed:
            raise AccessError(_WRONG, remedy="Try again")
        people.forget_failures(conn, who, address, at - WINDOW)
        return _open(conn, who, at, address, device)


def _refuse_a_flood(conn: Connection, who: str, address: str, at: datetime) -> None:
    since = at - WINDOW
    if (
        people.count_failures(conn, since, person=who, address=address) >= MAX_FOR_BOTH
        or people.count_failures(conn, since, address=address) >= MAX_FROM_ADDRESS
        or people.count_failures(conn, since, person=who) >= MAX_FOR_NAME
    ):
        raise TooManyTriesError(
            "Too many tries have failed", remedy=f"Wait {WINDOW.total_seconds() / 60:.0f} minutes, then try again"
        )


def _open(conn: Connection, who: str, at: datetime, address: str, device: str) -> str:
    secret = sessions.open_session(conn, who, at, SESSION_LASTS, address, device[:200])
    known = people.get_person(conn, who)
    audit.record(conn, at, known.name if known is not None else who, "signed in", address=address)
    return secret


# --- one-time links -------------------------------------------------------------------------------------------


def owner_link(conn: Connection, at: datetime) -> str:
    """A link by which whoever has it becomes an owner: for the first start, and for when a password is lost."""
    audit.record(conn, at, "the command line", "made a link for an owner")
    return sessions.make_link(conn, LinkPurpose.PASSWORD, None, at, OWNER_LINK_LASTS)


def invitation(conn: Connection, person: str, at: datetime) -> str:
    """A link by which a person sets a (new) password."""
    return sessions.make_link(conn, LinkPurpose.PASSWORD, person, at, INVITATION_LASTS)


def enter_link(conn: Connection, person: str, name: str, at: datetime, lasts: timedelta) -> str:
    """A link that signs an owner in without a password, for a demonstration on one's own machine."""
    if people.get_person(conn, person) is None:
        people.add_person(conn, person, name, Role.OWNER, None, at)
    return sessions.make_link(conn, LinkPurpose.ENTER, person, at, lasts)


def enter(conn: Connection, secret: str, at: datetime, address: str, device: str) -> str:
    """Sign in by such a link, and use it up; returns the secret for the cookie.

    Raises
    ------
    AccessError : the link is used or over.
    """
    who = sessions.use_link(conn, secret, LinkPurpose.ENTER, at)
    if who is None:
        raise AccessError("This link is for nobody")
    return _open(conn, who, at, address, device)


def invited(conn: Connection, secret: str, at: datetime) -> Person | None:
    """Whom a link to set a password is for; None: a new owner.

    Raises
    ------
    AccessError : the link is used or over.
    """
    who = sessions.link_person(conn, secret, LinkPurpose.PASSWORD, at)
    return None if who is None else people.get_person(conn, who)


def accept(
    db: Database, secret: str, person: str, name: str, password: str, at: datetime, address: str, device: str
) -> str:
    """Set the password that a link is for, use it up and sign in; returns the secret for the cookie.

    Parameters
    ----------
    person, name : of a new owner; not looked at where the link names its person.

    Raises
    ------
    AccessError : the link is used or over, or what was typed will not do.
    """
    with db.read() as conn:
        known = invited(conn, secret, at)
    who, called = (known.person, known.name) if known is not None else (person_id(person), checked_name(name))
    passwords.check_new(password, who, called)
    hashed = passwords.hash_password(password)
    with db.write() as conn:
        sessions.use_link(conn, secret, LinkPurpose.PASSWORD, at)
        if known is None:
            _new_owner(conn, who, called, at)
        people.set_password(conn, who, hashed)
        sessions.end_sessions(conn, who, at)
        audit.record(conn, at, called, "set a password by a one-time link", address=address)
        return _open(conn, who, at, address, device)


def _new_owner(conn: Connection, who: str, name: str, at: datetime) -> None:
    """A new person, or one who is there and becomes an owner: who may run the command may do that."""
    if people.get_person(conn, who) is None:
        people.add_person(conn, who, name, Role.OWNER, None, at)
    else:
        people.change_person(conn, who, Role.OWNER, None)


def change_password(db: Database, person: str, old: str, new: str, at: datetime, session: str) -> None:
    """Change one's own password; all one's other sessions end.

    Raises
    ------
    AccessError : the old one does not fit, or the new one will not do.
    """
    with db.read() as conn:
        hashed, known = people.password_of(conn, person), people.get_person(conn, person)
    if not passwords.verify(old, hashed) or known is None:
        raise AccessError("The old password does not fit", remedy="Nothing was changed")
    passwords.check_new(new, person, known.name)
    made = passwords.hash_password(new)
    with db.write() as conn:
        people.set_password(conn, person, made)
        sessions.end_sessions(conn, person, at, but=session)
        audit.record(conn, at, known.name, "changed their password")


def person_id(text: str) -> str:
    """What someone wants to sign in with, as it is kept.

    Raises
    ------
    AccessError : it can't be one.
    """
    try:
        return _PERSON.validate_python(text.strip().casefold())
    except ValidationError:
        raise AccessError(
            f"{text.strip()[:64]!r} can't be a name to sign in with",
            remedy="Two letters or more, without spaces, such as an e-mail address",
        ) from None


def checked_name(text: str) -> str:
    """A person's name, its spaces tidied.

    Raises
    ------
    AccessError : it is none.
    """
    name = " ".join(text.split())
    if not name or len(name) > 80 or not name.isprintable():
        raise AccessError("Give the name that others are to read, in at most 80 letters")
    return name
