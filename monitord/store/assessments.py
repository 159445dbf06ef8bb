"""The latest assessment of each job, to be shown, every forecast that was made, and ensembles to go on from.

None is truth: all can be computed again from the readings. An assessment that this program can't read any
more is therefore taken as not there.
"""

from __future__ import annotations

import contextlib
from datetime import datetime
from functools import lru_cache

from pydantic import ValidationError
from sqlalchemy import Connection, Insert, bindparam, delete, func, insert, select

from monitord.model.assessments import Forecast, JobAssessment, SleeveCheckpoint
from monitord.store import jobs
from monitord.store.db.parsed import Parsed
from monitord.store.db.statements import insert_or_update
from monitord.store.db.tables import assessment, forecast, mark, sleeve_checkpoint
from monitord.store.db.times import from_ms, to_ms

_PARSED = Parsed(JobAssessment, keep=200)
_WAITS = mark.c.mark > mark.c.assessed


def oldest_behind(conn: Connection) -> datetime | None:
    """As of when the job was last assessed that has waited longest for its next assessment; None: none waits.

    For a job that was never assessed it is the job's start.
    """
    last = select(func.min(assessment.c.as_of_ms)).join_from(mark, assessment, assessment.c.job == mark.c.job)
    oldest = conn.execute(last.where(_WAITS)).scalar_one_or_none()
    never = select(mark.c.job).where(_WAITS, mark.c.job.not_in(select(assessment.c.job)))
    new = [job.start for name in conn.execute(never).scalars() if (job := jobs.get_job(conn, name)) is not None]
    return min(new if oldest is None else [from_ms(oldest), *new], default=None)


def save_assessment(conn: Connection, assessed: JobAssessment) -> None:
    """Keep an assessment, unless a later one is there already."""
    document = assessed.model_dump_json()
    row = {"job": assessed.job, "as_of_ms": to_ms(assessed.as_of), "document": document}
    conn.execute(_keep_latest(conn.dialect.name), row)
    _PARSED.keep(assessed.job, document, assessed)


def latest_assessment(conn: Connection, job: str) -> JobAssessment | None:
    """The job's latest assessment; None if it was never assessed (by a version like this one)."""
    document = conn.execute(_LATEST, {"the_job": job}).scalar_one_or_none()
    if document is None:
        return None
    try:
        return _PARSED.of(job, document)
    except ValidationError:
        return None


def latest_assessments(conn: Connection) -> dict[str, JobAssessment]:
    """The latest assessment of each job that has one."""
    found = {}
    for job, document in conn.execute(_ALL):
        with contextlib.suppress(ValidationError):
            found[job] = _PARSED.of(job, document)
    return found


def made_at(conn: Connection) -> dict[str, datetime]:
    """Job to the time as of which it was last assessed."""
    return {row.job: from_ms(row.as_of_ms) for row in conn.execute(_MADE)}


def add_forecasts(conn: Connection, job: str, location: str, made: Forecast) -> None:
    """Add a forecast to the history of a location; one made again for the same time replaces it."""
    row = {
        "job": job,
        "location": location,
        "made_ms": to_ms(made.made_at),
        "document": made.model_dump_json(),
    }
    conn.execute(_keep_forecast(conn.dialect.name), row)


def recent_forecasts(conn: Connection, job: str, since: datetime) -> dict[str, list[Forecast]]:
    """Location to its forecasts made at or after a time, oldest first; those that can't be read any more left out."""
    found: dict[str, list[Forecast]] = {}
    for location, document in conn.execute(_RECENT, {"the_job": job, "since": to_ms(since)}):
        with contextlib.suppress(ValidationError):
            found.setdefault(location, []).append(Forecast.model_validate_json(document))
    return found


CHECKPOINTS_KEPT = 2
"""Of each sleeve: a late reading may belong to a day before the newest (our choice)."""


def keep_checkpoint(conn: Connection, job: str, location: str, made: SleeveCheckpoint) -> None:
    """Keep the ensemble of a sleeve, and the one before it.

    Those of later days are from before a late reading threw the run back, and go.
    """
    at = {"the_job": job, "the_location": location}
    row = {"job": job, "location": location, "end_ms": round(1000.0 * made.end_s)}
    ends = conn.execute(_ENDS, at).scalars()
    before = sorted(end for end in ends if end < row["end_ms"])[-(CHECKPOINTS_KEPT - 1) :]
    conn.execute(_FORGET_OTHERS, at | {"staying": before})
    conn.execute(insert(sleeve_checkpoint), row | {"digest": made.digest, "content": made.content})


def forget_checkpoints(conn: Connection, job: str) -> None:
    """Let the ensembles of a job go that is over."""
    conn.execute(_FORGET, {"the_job": job})


def checkpoints(conn: Connection, job: str) -> dict[str, list[SleeveCheckpoint]]:
    """Location to the stored ensembles of its sleeve."""
    found: dict[str, list[SleeveCheckpoint]] = {}
    for location, end_ms, digest, content in conn.execute(_CHECKPOINTS, {"the_job": job}):
        found.setdefault(location, []).append(SleeveCheckpoint(end_ms / 1000.0, digest, content))
    return found


# --- statements ---------------------------------------------------------------------------------------------

_MADE = select(assessment.c.job, assessment.c.as_of_ms)
_ALL = select(assessment.c.job, assessment.c.document)
_LATEST = select(assessment.c.document).where(assessment.c.job == bindparam("the_job"))


_RECENT = (
    select(forecast.c.location, forecast.c.document)
    .where(forecast.c.job == bindparam("the_job"), forecast.c.made_ms >= bindparam("since"))
    .order_by(forecast.c.made_ms)
)


_OF_JOB = sleeve_checkpoint.c.job == bindparam("the_job")
_OF_LOCATION = sleeve_checkpoint.c.location == bindparam("the_location")
_ENDS = select(sleeve_checkpoint.c.end_ms).where(_OF_JOB, _OF_LOCATION)
_CHECKPOINTS = select(
    sleeve_checkpoint.c.location, sleeve_checkpoint.c.end_ms, sleeve_checkpoint.c.digest, sleeve_checkpoint.c.content
).where(_OF_JOB)
_FORGET = delete(sleeve_checkpoint).where(_OF_JOB)
_FORGET_OTHERS = _FORGET.where(_OF_LOCATION, sleeve_checkpoint.c.end_ms.not_in(bindparam("staying", expanding=True)))


@lru_cache(maxsize=4)
def _keep_latest(dialect: str) -> Insert:
    return insert_or_update(
        dialect,
        assessment,
        lambda excluded: {"as_of_ms": excluded.as_of_ms, "document": excluded.document},
        where=lambda excluded: assessment.c.as_of_ms <= excluded.as_of_ms,
    )


@lru_cache(maxsize=4)
def _keep_forecast(dialect: str) -> Insert:
    return insert_or_update(dialect, forecast, lambda excluded: {"document": excluded.document})
