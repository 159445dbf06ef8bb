"""The latest assessment of each job, to be shown, and every forecast that was made.

Neither is truth: both can be computed again from the readings. An assessment that this program can't read any
more is therefore taken as not there.
"""

from __future__ import annotations

import contextlib
from datetime import datetime
from functools import lru_cache

from pydantic import ValidationError
from sqlalchemy import Connection, Insert, bindparam, func, select

from monitord.model.assessments import Forecast, JobAssessment
from monitord.store import jobs
from monitord.store.db.statements import insert_or_update
from monitord.store.db.tables import assessment, forecast, mark
from monitord.store.db.times import from_ms, to_ms

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
    row = {"job": assessed.job, "as_of_ms": to_ms(assessed.as_of), "document": assessed.model_dump_json()}
    conn.execute(_keep_latest(conn.dialect.name), row)


def latest_assessment(conn: Connection, job: str) -> JobAssessment | None:
    """The job's latest assessment; None if it was never assessed (by a version like this one)."""
    document = conn.execute(_LATEST, {"the_job": job}).scalar_one_or_none()
    if document is None:
        return None
    try:
        return JobAssessment.model_validate_json(document)
    except ValidationError:
        return None


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


# --- statements ---------------------------------------------------------------------------------------------

_MADE = select(assessment.c.job, assessment.c.as_of_ms)
_LATEST = select(assessment.c.document).where(assessment.c.job == bindparam("the_job"))


_RECENT = (
    select(forecast.c.location, forecast.c.document)
    .where(forecast.c.job == bindparam("the_job"), forecast.c.made_ms >= bindparam("since"))
    .order_by(forecast.c.made_ms)
)


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
