"""`monitord mirror`: the copy in another database."""

from __future__ import annotations

from argparse import Namespace

from monitord.cli.common import database_of, out, show_table, show_time
from monitord.errors import ConfigurationError
from monitord.store import mirror


def show_mirror(parsed: Namespace) -> int:
    """How the mirror stands."""
    with database_of(parsed) as db, db.read() as conn:
        copy = _needed(mirror.state(conn))
    out(f"target: {copy.target}")
    out(f"last taken: {show_time(copy.accepted_at)}")
    if copy.failing_since is not None:
        out(f"takes nothing since {show_time(copy.failing_since)}: {copy.problem}")
    out(f"due: {copy.due_hours} hours of probes, {copy.due_assessments} assessments; refused lines: {copy.parked}")
    return 0


def list_parked(parsed: Namespace) -> int:
    """Lines that the server refuses."""
    with database_of(parsed) as db, db.read() as conn:
        lines = mirror.parked_lines(conn)
    show_table(("parked", "reason", "line"), [(show_time(each.parked_at), each.reason, each.line) for each in lines])
    return 0


def mirror_again(parsed: Namespace) -> int:
    """Make every stored reading due once more."""
    with database_of(parsed) as db:
        with db.write() as conn:
            _needed(mirror.state(conn))
            mirror.due_again(conn)
        with db.read() as conn:
            due = _needed(mirror.state(conn)).due_hours
    out(f"due: {due} hours of probes; the running daemon sends them")
    return 0


def _needed(copy: mirror.MirrorState | None) -> mirror.MirrorState:
    if copy is None:
        raise ConfigurationError(
            "there is no mirror",
            where="mirror.url",
            remedy="Give url and bucket in [mirror], and start the daemon once",
        )
    return copy
