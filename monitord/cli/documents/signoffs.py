"""`monitord signoff`: a named person confirms a slab or element, and may withdraw it with a reason."""

from __future__ import annotations

from argparse import Namespace

from monitord.cli.common import database_of, note, out, settings_of, show_table, show_time
from monitord.clock import SystemClock
from monitord.model.readiness.criteria_files import criteria_book
from monitord.model.readiness.signoffs import SignOff, Statement
from monitord.report.signing_off import Wish, sign_off
from monitord.store import signoffs
from monitord.store.jobs import needed_job


def add(parsed: Namespace) -> int:
    """Carry out `signoff add`."""
    settings = settings_of(parsed)
    book = criteria_book(settings.criteria.folder)
    wish = Wish(
        job=parsed.job,
        element=parsed.element,
        statement=Statement(parsed.statement),
        by=parsed.by,
        role=parsed.role,
        own_reading=parsed.reading,
        note=parsed.note,
    )
    with database_of(parsed) as database:
        made = sign_off(database, wish, SystemClock().now(), book, settings.analysis, note)
    out(f"{made.id}: {made.element} signed off as {made.statement.value} by {made.by}, {show_time(made.signed_at)}")
    out(f"evidence {made.known_sha256}")
    return 0


def list_signoffs(parsed: Namespace) -> int:
    """Carry out `signoff list`."""
    with database_of(parsed) as database, database.read() as connection:
        needed_job(connection, parsed.job)
        found = signoffs.signoffs(connection, parsed.job)
    columns = ("id", "element", "as", "verdict", "by", "role", "time", "own reading", "withdrawn", "evidence")
    show_table(columns, (_row(made) for made in found))
    return 0


def withdraw(parsed: Namespace) -> int:
    """Carry out `signoff withdraw`."""
    with database_of(parsed) as database, database.write() as connection:
        made = signoffs.withdraw(connection, parsed.id, SystemClock().now(), parsed.by, parsed.why)
        note(connection, "withdrew a sign-off", made.job, f"{made.id}, as {parsed.by}: {parsed.why}")
    out(f"{made.id}: {made.element}, withdrawn by {made.withdrawn_by}: {made.withdrawn_reason}")
    return 0


def _row(made: SignOff) -> tuple[str, ...]:
    gone = "-" if made.stands else f"{show_time(made.withdrawn_at)} by {made.withdrawn_by}: {made.withdrawn_reason}"
    return (
        str(made.id), made.element, made.statement.value, made.verdict.verdict.value, made.by, made.role or "-",
        show_time(made.signed_at), made.own_reading or "-", gone, made.known_sha256[:16],
    )  # fmt: skip
