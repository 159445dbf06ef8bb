"""Everything of a job that goes into a pack, from the store, as of a time."""

from __future__ import annotations

from datetime import datetime

from pydantic import TypeAdapter
from sqlalchemy import Connection

from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import SignOff
from monitord.report.pack import Evidence
from monitord.report.readings_file import Row, rows_of
from monitord.store import alerts as stored_alerts
from monitord.store import assessments, notes, outbox, signoffs
from monitord.store.series.archived import need_readings
from monitord.store.series.records import load_series

_SIGNOFFS = TypeAdapter(list[SignOff])
_ALL = 1_000_000
"""More alerts or messages than a job has."""


def collect(
    conn: Connection, job: JobFile, as_of: datetime, criteria: CriteriaBook, options: AnalysisOptions
) -> Evidence:
    """The evidence of a job: the readings received by `as_of`, and what was told and noted of it.

    Raises
    ------
    StoreError : its raw readings are archived.
    """
    need_readings(conn, job.job)
    noted = tuple(note for note in notes.notes_of(conn, job.job) if note.at <= as_of)
    digests = sorted({one.digest for note in noted for one in note.photos})
    pictures = {digest: notes.picture_bytes(conn, job.job, digest) for digest in digests}
    return Evidence(
        job=job,
        as_of=as_of,
        rows=raw_rows(conn, job, as_of),
        criteria=criteria,
        options=options,
        shown=assessments.latest_assessment(conn, job.job),
        alerts=tuple(stored_alerts.episodes(conn, job.job, _ALL)),
        messages=tuple(outbox.log_of_job(conn, job.job)),
        notes=noted,
        photos={digest: jpeg for digest, jpeg in pictures.items() if jpeg is not None},
        signoffs=_SIGNOFFS.dump_json(signoffs.signoffs(conn, job.job)).decode(),
    )


def raw_rows(conn: Connection, job: JobFile, as_of: datetime) -> list[Row]:
    """The raw readings of every placement of a job that were received by a time."""
    found: list[Row] = []
    for placement in job.probes:
        until = as_of if placement.to_time is None else placement.to_time
        series = load_series(conn, placement, placement.from_time, until, as_of)
        found.extend(rows_of(placement, series))
    return found
