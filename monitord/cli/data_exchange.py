"""`monitord mirror` and `monitord import`: data to and from other programs."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from monitord.cli.common import database_of, out, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import ConfigurationError
from monitord.store import mirror
from monitord.store.last_seen import unplaced


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


def import_file(parsed: Namespace) -> int:
    """Import a logger's file, check it, or print the draft of a mapping."""
    from monitord.ingest.logger_files.column_mapping import load_mapping
    from monitord.ingest.logger_files.importing import checked, import_readings, text_of
    from monitord.ingest.logger_files.proposing import propose

    path: Path = parsed.file
    if parsed.propose:
        out(propose(text_of(path, parsed.encoding), path.stem).rstrip("\n"))
        return 0
    found = checked(path, load_mapping(parsed.mapping), SystemClock().now())
    probes = sorted({reading.probe for reading in found.readings})
    span = [show_time(end([reading.time for reading in found.readings])) for end in (min, max) if found.readings]
    out(f"{len(found.readings)} readings of {', '.join(probes) or 'no probe'}, {' to '.join(span) or 'no time'}")
    if found.without_value:
        out(f"{found.without_value} rows without a temperature or humidity were passed over")
    if parsed.check:
        return 0
    with database_of(parsed) as db:
        done = import_readings(db, found)
        with db.read() as conn:
            stray = [one.probe for one in unplaced(conn) if one.probe in probes]
    out(f"new: {done.inserted}, there already: {done.repeats}, in quarantine as contradictions: {done.conflicts}")
    if stray:
        out(f"placed in no job at their last time: {', '.join(stray)}; place them, or nothing is computed from them")
    return 0


def _needed(copy: mirror.MirrorState | None) -> mirror.MirrorState:
    if copy is None:
        raise ConfigurationError(
            "there is no mirror",
            where="mirror.url",
            remedy="Give url and bucket in [mirror], and start the daemon once",
        )
    return copy
