"""`monitord job`: apply, export, list, pause, resume and close jobs, and publish the schema of job files."""

from __future__ import annotations

import json
from argparse import Namespace

from monitord.alerts import pausing
from monitord.cli.common import database_of, ending_of, note, out, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import JobFileError
from monitord.model.job_files.checks import remarks
from monitord.model.job_files.example import fresh_example
from monitord.model.job_files.files import dump_job, job_schema, load_job_file
from monitord.model.jobs import JobFile
from monitord.model.messages import Pause
from monitord.store import jobs as stored_jobs
from monitord.store import pauses
from monitord.store.series.archived import all_archived


def apply_files(parsed: Namespace) -> int:
    """Take job files in: all of them or none."""
    now = SystemClock().now()
    files, wrong, warnings = [], [], []
    for path in parsed.files:
        try:
            job = load_job_file(path)
        except JobFileError as error:
            wrong.append(error)
            continue
        files.append((path, job))
        for remark in remarks(job, now):
            if remark.refused:
                wrong.append(
                    JobFileError(
                        f"`{remark.key}`: {remark.what}", where=f"{path}, {remark.where}", remedy=remark.remedy
                    )
                )
            else:
                warnings.append(f"{path}, {remark.words}")
    if wrong:
        raise JobFileError.of(wrong)
    done = []
    with database_of(parsed) as database, database.write() as connection:
        for path, job in files:
            try:
                whole = stored_jobs.with_site_records(connection, job)
                more = len(whole.spots) - len(job.spots)
                kept = f"; kept {more} of its spot readings that the file does not have" if more else ""
                if whole.equipment != job.equipment:
                    kept += "; kept what was recorded of its equipment and the file does not have"
                applied = stored_jobs.apply_job(connection, whole)
                done.append(f"{job.job}: {applied}{kept}")
                if applied != "unchanged":
                    note(connection, "applied a job file", job.job, f"{applied}, from {path.name}")
            except JobFileError as error:
                raise JobFileError(error.what, where=str(path), why=error.why, remedy=error.remedy) from None
    for line in done:  # said only once all of it is committed
        out(line)
    for line in warnings:
        out(f"warning: {line}")
    return 0


def print_example(_: Namespace) -> int:
    """Print the example of a job file with fresh dates."""
    out(fresh_example(SystemClock().now().date()).rstrip("\n"))
    return 0


def export_job(parsed: Namespace) -> int:
    """Write a job as a file."""
    with database_of(parsed) as database, database.read() as connection:
        job = stored_jobs.get_job(connection, parsed.job)
    if job is None:
        raise _no_such_job(parsed.job)
    text = dump_job(job, parsed.format)
    if parsed.out is None:
        out(text.rstrip("\n"))
    else:
        try:
            parsed.out.write_text(text, encoding="utf-8")
        except OSError as error:
            raise JobFileError("can't be written", where=str(parsed.out), why=error.strerror) from None
    return 0


def list_jobs(parsed: Namespace) -> int:
    """Print the jobs."""
    with database_of(parsed) as database, database.read() as connection:
        jobs = stored_jobs.list_jobs(connection)
        paused = pauses.standing(connection, SystemClock().now())
        lies = {found.job: found.file for found in all_archived(connection)}
    rows = ((*_row(job), _paused(paused.get(job.job)), lies.get(job.job, "here")) for job in jobs)
    show_table(("job", "name", "locations", "placements", "start", "end", "paused", "readings"), rows)
    return 0


def _row(job: JobFile) -> tuple[str, ...]:
    return job.job, job.name, str(len(job.locations)), str(len(job.probes)), show_time(job.start), show_time(job.end)


def _paused(pause: Pause | None) -> str:
    if pause is None:
        return "-"
    till = f" until {show_time(pause.end)}" if pause.end is not None else ""
    return f"since {show_time(pause.start)}{till} by {pause.author}: {pause.comment}"


def pause_job(parsed: Namespace) -> int:
    """Let a job raise no alerts for a while."""
    now = SystemClock().now()
    with database_of(parsed) as database, database.write() as connection:
        made = pausing.pause(connection, parsed.job, ending_of(parsed, now), parsed.by, parsed.why, now)
        note(connection, "paused a job's alerts", parsed.job, f"as {parsed.by}: {parsed.why}")
    out(f"{parsed.job}: paused, {_paused(made)}")
    return 0


def resume_job(parsed: Namespace) -> int:
    """Let a paused job raise alerts again."""
    with database_of(parsed) as database, database.write() as connection:
        pausing.resume(connection, parsed.job, parsed.by, SystemClock().now())
        note(connection, "resumed a job's alerts", parsed.job, f"as {parsed.by}")
    out(f"{parsed.job}: resumed; what holds is raised again at its next assessment")
    return 0


def close_job(parsed: Namespace) -> int:
    """End a job."""
    at = parsed.at or SystemClock().now().replace(microsecond=0)
    with database_of(parsed) as database, database.write() as connection:
        if stored_jobs.get_job(connection, parsed.job) is None:
            raise _no_such_job(parsed.job)
        stored_jobs.close_job(connection, parsed.job, at)
        note(connection, "ended a job", parsed.job, show_time(at))
    out(f"{parsed.job}: closed at {show_time(at)}")
    return 0


def print_schema(_: Namespace) -> int:
    """Print the JSON Schema of job files."""
    out(json.dumps(job_schema(), indent=2, ensure_ascii=False))
    return 0


def _no_such_job(job: str) -> JobFileError:
    return JobFileError(f"there is no job {job!r}", remedy="`monitord job list` shows those there are")
