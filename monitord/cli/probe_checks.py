"""`monitord probe check`: probes against each other, or over a saturated salt, on the readings that are stored."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence

from sqlalchemy import Connection

from monitord.cli.common import database_of, note, out, settings_of, show_table, units_of
from monitord.model.job_files.files import dump_calibrations
from monitord.model.jobs import Calibration
from monitord.report import probe_checks
from monitord.store.jobs import add_calibrations, needed_job


def check_side_by_side(parsed: Namespace) -> int:
    """Print how probes that lay together agree, and what would correct those that do not."""
    units = units_of(parsed, settings_of(parsed))
    with database_of(parsed) as database:
        with database.read() as connection:
            job = needed_job(connection, parsed.job)
            names = parsed.probes or sorted({placement.probe for placement in job.probes})
            span = parsed.start, parsed.end
            found = probe_checks.check_side_by_side(connection, job, names, *span, parsed.by, units)
        show_table(probe_checks.columns(units, salt=False), found.rows)
        for line in found.words:
            out(line)
        if found.undecided:
            out("Nothing is proposed.")
        elif not found.proposed:
            out("No correction is needed.")
        with database.write() as connection:
            _tell(connection, parsed, found.proposed)
    return 0 if found.passed else 1


def check_salt(parsed: Namespace) -> int:
    """Print how probes stand to the fixed point of a saturated salt, and what to record of the check."""
    units = units_of(parsed, settings_of(parsed))
    with database_of(parsed) as database:
        with database.read() as connection:
            job = needed_job(connection, parsed.job)
            salt = parsed.salt
            span = parsed.start, parsed.end
            found = probe_checks.check_salt(connection, job, parsed.probes, salt, *span, parsed.by, units)
        show_table(probe_checks.columns(units, salt=True), found.rows)
        for line in found.words:
            out(line)
        with database.write() as connection:
            _tell(connection, parsed, found.proposed)
    return 0 if found.passed else 1


def _tell(connection: Connection, parsed: Namespace, proposed: Sequence[Calibration]) -> None:
    """Keep the proposals, or say how they can be kept."""
    if not proposed:
        return
    if parsed.record:
        done = add_calibrations(connection, parsed.job, proposed)
        note(connection, "recorded a check of probes", parsed.job, ", ".join(one.probe for one in proposed))
        out(f"{parsed.job}: {done}. Put this into its file as well: applying a file without it takes it out.")
    else:
        out(f"To correct readings from {parsed.end:%Y-%m-%dT%H:%M:%SZ} on, put this into the file of {parsed.job} and")
        out("apply it, or give the command again with --record:")
    out("")
    out(dump_calibrations(proposed).rstrip())
