"""Sign-offs: kept as they were given; only a withdrawal is added."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select, update

from monitord.errors import StoreError
from monitord.model.jobs import JobFile
from monitord.model.readiness.signoffs import SignOff
from monitord.store.db.signoff_tables import signoff
from monitord.store.db.times import from_ms, to_ms
from monitord.store.jobs import canonical

_s = signoff.c


def add_signoff(conn: Connection, made: SignOff, job: JobFile) -> SignOff:
    """Keep a sign-off with the job as it was known; returns it with its number."""
    row = {
        "job": made.job,
        "element": made.element,
        "signed_ms": to_ms(made.signed_at),
        "document": made.model_dump_json(),
        "job_document": canonical(job),
    }
    number = conn.execute(signoff.insert().returning(_s.id), row).scalar_one()
    return made.model_copy(update={"id": number})


def signoffs(conn: Connection, job: str) -> list[SignOff]:
    """All sign-offs of a job, the withdrawn ones too, the oldest first."""
    rows = conn.execute(select(signoff).where(_s.job == job).order_by(_s.signed_ms, _s.id))
    return [_signoff(row) for row in rows]


def job_as_signed(conn: Connection, number: int) -> JobFile:
    """The job as it was known when a sign-off was given.

    Raises
    ------
    StoreError : no such sign-off.
    """
    document = conn.execute(select(_s.job_document).where(_s.id == number)).scalar_one_or_none()
    if document is None:
        raise _missing(number)
    return JobFile.model_validate_json(document)


def withdraw(conn: Connection, number: int, at: datetime, by: str, reason: str) -> SignOff:
    """Withdraw a sign-off; it stays on record.

    Raises
    ------
    StoreError : no such sign-off, or it was withdrawn before.
    """
    found = conn.execute(select(signoff).where(_s.id == number)).first()
    if found is None:
        raise _missing(number)
    if found.withdrawn_ms is not None:
        raise StoreError(f"sign-off {number} was withdrawn before, by {found.withdrawn_by}", remedy="It stays as it is")
    values = {"withdrawn_ms": to_ms(at), "withdrawn_by": by, "withdrawn_reason": reason}
    conn.execute(update(signoff).where(_s.id == number).values(**values))
    return _signoff(conn.execute(select(signoff).where(_s.id == number)).one())


def _missing(number: int) -> StoreError:
    return StoreError(f"there is no sign-off {number}", remedy="`monitord signoff list JOB` shows their numbers")


def _signoff(row: Any) -> SignOff:
    made = SignOff.model_validate_json(row.document)
    withdrawn = {} if row.withdrawn_ms is None else {
        "withdrawn_at": from_ms(row.withdrawn_ms),
        "withdrawn_by": row.withdrawn_by,
        "withdrawn_reason": row.withdrawn_reason,
    }  # fmt: skip
    return made.model_copy(update={"id": row.id, **withdrawn})
