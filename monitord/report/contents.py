"""A job's report from the store: load, assess, draw, set."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection

from monitord.analysis.assess import assess_job
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import GoalMetric, JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.units import Units
from monitord.report.document import Contents, report_speaker
from monitord.report.drawings import drawings
from monitord.store import alerts as stored_alerts
from monitord.store import notes, signoffs
from monitord.store.series.records import load_job_record
from monitord.text.catalogue import FALLBACK


def contents_of(
    conn: Connection,
    job: JobFile,
    now: datetime,
    criteria: CriteriaBook,
    options: AnalysisOptions,
    firm: str = "",
    units: Units = Units.METRIC,
    language_name: str = FALLBACK,
) -> Contents:
    """What the report says as of now, or as of the job's end."""
    speaker = report_speaker(job, units, language_name)
    as_of = job.end if job.end is not None and job.end <= now else now
    record = load_job_record(conn, job, as_of)
    assessment = assess_job(job, record, as_of, options, criteria=criteria)
    noted = notes.notes_of(conn, job.job)
    pictures = {
        one.digest: notes.picture_bytes(conn, job.job, one.digest, small=True) for n in noted for one in n.photos
    }
    return Contents(
        job=job,
        assessment=assessment,
        criteria=criteria,
        alerts=stored_alerts.episodes(conn, job.job),
        signoffs=signoffs.signoffs(conn, job.job),
        drawings=drawings(job, record, as_of, _limits(job, criteria), speaker),
        made_at=now,
        firm=firm,
        units=units,
        speaker=speaker,
        notes=noted[::-1],
        plan=None if job.plan is None else notes.picture_bytes(conn, job.job, job.plan.photo),
        photos={digest: jpeg for digest, jpeg in pictures.items() if jpeg is not None},
    )


def _limits(job: JobFile, criteria: CriteriaBook) -> dict[str, float]:
    """By location: the limit of its relative humidity, its slab's before its own goal's. [% RH]"""
    found = {
        location.id: location.goal.limit
        for location in job.locations
        if location.goal is not None and location.goal.metric in (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH)
    }
    for slab in job.slabs:
        rules = criteria.get(slab.criteria)
        limit = slab.covering.limit_pct or (None if rules is None else rules.limit.default_pct)
        if limit is not None:
            found.update(dict.fromkeys(slab.locations, limit))
    return found
