"""Signing off a slab or element: what is known is computed from the store, frozen by its digest, and kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from pydantic import ValidationError
from sqlalchemy import Connection

from monitord.errors import JobFileError
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import SignOff, Statement
from monitord.report.collect import collect
from monitord.report.pack import known_digest, known_files
from monitord.store import signoffs
from monitord.store.db.database import Database
from monitord.store.jobs import needed_job


@dataclass(frozen=True)
class Wish:
    """Who confirms what."""

    job: str
    element: str
    statement: Statement
    by: str
    role: str = ""
    own_reading: str = ""
    note: str = ""


def sign_off(
    db: Database,
    wish: Wish,
    now: datetime,
    criteria: CriteriaBook,
    options: AnalysisOptions,
    record: Callable[[Connection, str, str, str], None],
) -> SignOff:
    """Confirm a slab or element as it is known now. What is known is computed outside of any write.

    `record` enters into the record of changes what was done, in which job and its details; it is called in the
    transaction that keeps the sign-off, so that neither stands without the other.

    Raises
    ------
    JobFileError : no such job or element, or it can't be signed as ready because it is not.
    """
    as_of = now.replace(microsecond=now.microsecond // 1000 * 1000)  # as finely as stored times
    with db.read() as conn:
        job = needed_job(conn, wish.job)
        evidence = collect(conn, job, as_of, criteria, options)
    files, assessed = known_files(evidence)
    verdict = next((found for found in assessed.readiness if found.element == wish.element), None)
    if verdict is None:
        known = ", ".join(found.element for found in assessed.readiness) or "(none)"
        raise JobFileError(
            f"no verdict is asked of {wish.element!r}",
            where=f"job {wish.job}",
            remedy=f"Use one of {known}",
        )
    try:
        made = SignOff(
            job=wish.job,
            element=wish.element,
            statement=wish.statement,
            by=wish.by,
            role=wish.role,
            own_reading=wish.own_reading,
            note=wish.note,
            signed_at=as_of,
            as_of=as_of,
            known_sha256=known_digest(files),
            verdict=verdict,
        )
    except ValidationError as error:
        first = error.errors()[0]
        what, _, remedy = first["msg"].removeprefix("Value error, ").partition("; ")
        where = ".".join(str(part) for part in first["loc"])
        raise JobFileError(
            f"{where}: {what}" if where else what, remedy=remedy[:1].upper() + remedy[1:] if remedy else None
        ) from None
    with db.write() as conn:
        kept = signoffs.add_signoff(conn, made, job)
        record(conn, "signed off", kept.job, f"{kept.element} as {kept.statement.value}, as {kept.by}")
    return kept
