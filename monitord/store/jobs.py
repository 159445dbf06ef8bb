"""Jobs: each a job file kept as canonical JSON, with its placements indexed by probe and time."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, Literal

from pydantic import ValidationError
from sqlalchemy import Connection, Insert, bindparam, delete, insert, or_, select

from monitord.errors import JobFileError, StoreError
from monitord.model.job_files.changes import revised
from monitord.model.job_files.defaults import JobDefaults
from monitord.model.jobs import Calibration, JobFile, Placement
from monitord.model.site.equipment import Equipment
from monitord.model.site.spots import Spot
from monitord.store import pending_jobs
from monitord.store.db.alert_tables import alert as alert_table
from monitord.store.db.alert_tables import alert_event as event_table
from monitord.store.db.parsed import Parsed
from monitord.store.db.signoff_tables import signoff as signoff_table
from monitord.store.db.statements import insert_or_update
from monitord.store.db.tables import job as job_table
from monitord.store.db.tables import job_defaults as defaults_table
from monitord.store.db.tables import outdoor_forecast as outdoor_forecast_table
from monitord.store.db.tables import placement as placement_table
from monitord.store.db.times import from_ms, to_ms
from monitord.store.series.archived import need_readings

_PARSED = Parsed(JobFile, keep=1000)
Applied = Literal["created", "changed", "unchanged"]


def canonical(job: JobFile) -> str:
    """The one text of a job: every key, sorted, so that equal jobs have equal texts."""
    document = job.model_dump(mode="json", by_alias=True)
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def apply_job(conn: Connection, job: JobFile) -> Applied:
    """Make the stored job the given one; the same again changes nothing.

    A new or changed job is marked, so that it is assessed over readings that came before it did.

    Raises
    ------
    JobFileError : a probe is in another job at the same time.
    StoreError : the raw readings of the stored job are archived.
    """
    stored = get_job(conn, job.job)
    if stored == job:
        return "unchanged"
    need_readings(conn, job.job)
    for position, placement in enumerate(job.probes):
        _refuse_if_elsewhere(conn, job.job, position, placement)
    conn.execute(_keep_job(conn.dialect.name), {"job": job.job, "document": canonical(job)})
    conn.execute(_FORGET_PLACEMENTS, {"the_job": job.job})
    if job.probes:
        conn.execute(
            insert(placement_table),
            [_row(job.job, position, placement) for position, placement in enumerate(job.probes)],
        )
    pending_jobs.mark_job(conn, job.job)
    return "created" if stored is None else "changed"


def get_job(conn: Connection, job: str) -> JobFile | None:
    """The job of that id, if there is one."""
    document = conn.execute(_JOB, {"the_job": job}).scalar_one_or_none()
    return None if document is None else _parsed(document, job)


def needed_job(conn: Connection, job: str) -> JobFile:
    """The job of that id.

    Raises
    ------
    JobFileError : there is none.
    """
    stored = get_job(conn, job)
    if stored is None:
        raise JobFileError(f"there is no job {job!r}", remedy="`monitord job list` shows the jobs there are")
    return stored


def with_site_records(conn: Connection, job: JobFile) -> JobFile:
    """The job with what was recorded on site and it lacks: a file written before that does not take it away.

    That is spot readings, checks of probes, the plan, equipment, and of equipment in both what was emptied and when it
    was taken out. Left out is what is at a location that the job no longer has, and equipment that by the file stands
    elsewhere at that time.

    Raises
    ------
    JobFileError : together they would not fit.
    """
    stored = get_job(conn, job.job)
    if stored is None:
        return job
    locations = {location.id for location in job.locations}
    spots = [s for s in stored.spots if s not in job.spots and s.location_id in locations]
    equipment = [
        item
        for item in stored.equipment
        if item.location_id in locations and not any(_together(item, given) for given in job.equipment)
    ]
    merged = [_with_records(item, stored.equipment) for item in job.equipment]
    began = {(check.kind, check.probes, check.from_time) for check in stored.checks}
    checks = [check for check in job.checks if (check.kind, check.probes, check.from_time) not in began]
    plan = job.plan
    if plan is None and stored.plan is not None:
        points = tuple(point for point in stored.plan.points if point.location in locations)
        plan = stored.plan.model_copy(update={"points": points})
    return revised(
        job,
        spots=(*job.spots, *spots),
        equipment=(*merged, *equipment),
        checks=(*stored.checks, *checks),
        plan=plan,
    )


def _together(a: Equipment, b: Equipment) -> bool:
    """Whether two entries are of one machine and overlap."""
    ended = (a.to_time is not None and a.to_time <= b.from_time) or (b.to_time is not None and b.to_time <= a.from_time)
    return a.id == b.id and not ended


def _with_records(item: Equipment, stored: Sequence[Equipment]) -> Equipment:
    """A machine of a file with what was recorded of it on site."""
    for other in stored:
        if (other.id, other.location_id, other.from_time) == (item.id, item.location_id, item.from_time):
            end = item.to_time or other.to_time
            water = {*item.water, *(one for one in other.water if end is None or one.at <= end)}
            return item.model_copy(update={"water": tuple(sorted(water, key=lambda one: one.at)), "to_time": end})
    return item


def add_spot(conn: Connection, job: str, spot: Spot) -> Applied:
    """Keep a spot reading with a job; the same again changes nothing.

    Raises
    ------
    JobFileError : no such job, or it has no such location.
    """
    stored = needed_job(conn, job)
    if spot in stored.spots:
        return "unchanged"
    if spot.location_id not in {location.id for location in stored.locations}:
        known = ", ".join(sorted(location.id for location in stored.locations)) or "(none yet)"
        raise JobFileError(
            f"job {job!r} has no location {spot.location_id!r}", where=f"job {job}", remedy=f"Use one of {known}"
        )
    return apply_job(conn, stored.model_copy(update={"spots": (*stored.spots, spot)}))


def add_calibrations(conn: Connection, job: str, checks: Sequence[Calibration]) -> Applied:
    """Keep calibrations with a job; the same again changes nothing.

    Raises
    ------
    JobFileError : no such job.
    """
    stored = needed_job(conn, job)
    new = tuple(check for check in checks if check not in stored.calibrations)
    return apply_job(conn, stored.model_copy(update={"calibrations": (*stored.calibrations, *new)}))


def remove_spot(conn: Connection, job: str, number: int) -> Spot:
    """Take out a spot reading that was a mistake; `number` is its place in the job, from 1 on. Returns it.

    Raises
    ------
    JobFileError : no such job or reading.
    """
    stored = needed_job(conn, job)
    if not 1 <= number <= len(stored.spots):
        raise JobFileError(
            f"there is no spot reading {number}", where=f"job {job}", remedy="`monitord job spots` shows their numbers"
        )
    kept = (*stored.spots[: number - 1], *stored.spots[number:])
    apply_job(conn, stored.model_copy(update={"spots": kept}))
    return stored.spots[number - 1]


def list_jobs(conn: Connection) -> list[JobFile]:
    """All jobs, the closed ones included, by id."""
    return [_parsed(document, job) for job, document in conn.execute(_JOBS)]


def close_job(conn: Connection, job: str, at: datetime) -> JobFile:
    """End a job and the placements that go on, so that its probes are free for another; closing twice is harmless.

    Raises
    ------
    JobFileError : no such job, or it or one of its placements begins later than that.
    """
    stored = needed_job(conn, job)
    if stored.end is not None and stored.end <= at:
        return stored
    late = [placement for placement in stored.probes if placement.from_time >= at]
    if late or stored.start >= at:
        what = f"the placement of probe {late[0].probe!r} begins" if late else "it begins"
        raise JobFileError(
            f"the job can't be closed at {at.isoformat()}: {what} only then or later",
            where=f"job {job}",
            remedy="Close it at a later time, or take that placement out of its file and apply it again",
        )
    placements = tuple(
        placement
        if placement.to_time is not None and placement.to_time <= at
        else placement.model_copy(update={"to_time": at})
        for placement in stored.probes
    )
    closed = stored.model_copy(update={"end": at, "probes": placements})
    apply_job(conn, JobFile.model_validate_json(canonical(closed)))
    return closed


def delete_job(conn: Connection, job: str) -> JobFile:
    """Take a mistaken job away with all that hangs on it; readings stay, as those of probes that stand nowhere.

    What was sent of its alerts stays in the log of messages.

    Raises
    ------
    JobFileError : no such job, or an element of it was signed off: that stays on record.
    StoreError : its raw readings are archived.
    """
    stored = needed_job(conn, job)
    need_readings(conn, job)
    if conn.execute(select(signoff_table.c.id).where(signoff_table.c.job == job).limit(1)).first() is not None:
        raise JobFileError(
            "a job with a sign-off is not deleted, since that stays on record",
            where=f"job {job}",
            remedy="Close the job instead",
        )
    fingerprints = select(alert_table.c.fingerprint).where(alert_table.c.job == job)
    conn.execute(delete(event_table).where(event_table.c.fingerprint.in_(fingerprints)))
    conn.execute(delete(alert_table).where(alert_table.c.job == job))
    conn.execute(delete(outdoor_forecast_table).where(outdoor_forecast_table.c.job == job))
    conn.execute(delete(job_table).where(job_table.c.job == job))  # the rest goes with it by its foreign keys
    return stored


def job_defaults(conn: Connection) -> JobDefaults:
    """What new jobs, locations and slabs begin with."""
    document = conn.execute(select(defaults_table.c.document)).scalar_one_or_none()
    return JobDefaults() if document is None else JobDefaults.model_validate_json(document)


def keep_job_defaults(conn: Connection, defaults: JobDefaults) -> None:
    """From now on new ones begin with these."""
    statement = insert_or_update(conn.dialect.name, defaults_table, lambda new: {"document": new.document})
    conn.execute(statement, {"id": 1, "document": defaults.model_dump_json()})


def placements_elsewhere(conn: Connection, job: str, probe: str, at: datetime) -> list[tuple[str, str]]:
    """Where else a probe stands at a time or later: pairs of a job and its location."""
    chosen = _ELSEWHERE_OPEN.with_only_columns(placement_table.c.job, placement_table.c.location).limit(None)
    bounds = {"the_job": job, "the_probe": probe, "begins": to_ms(at)}
    return [(row.job, row.location) for row in conn.execute(chosen, bounds)]


def _refuse_if_elsewhere(conn: Connection, job: str, position: int, placement: Placement) -> None:
    end = None if placement.to_time is None else to_ms(placement.to_time)
    bounds = {"the_job": job, "the_probe": placement.probe, "begins": to_ms(placement.from_time), "ends": end}
    other = conn.execute(_ELSEWHERE if end is not None else _ELSEWHERE_OPEN, bounds).first()
    if other is None:
        return
    until = "now on" if other.to_ms is None else f"{from_ms(other.to_ms):%Y-%m-%dT%H:%MZ}"
    raise JobFileError(
        f"probe {placement.probe!r} is placed in job {other.job!r} (at {other.location!r}, "
        f"from {from_ms(other.from_ms):%Y-%m-%dT%H:%MZ} to {until}) at the same time",
        where=f"job {job}, probes[{position}]",
        remedy=f"End one of the two placements with `to`, or close job {other.job!r}",
    )


def _parsed(document: str, job: str) -> JobFile:
    try:
        return _PARSED.of(job, document)
    except ValidationError as error:
        raise StoreError(
            "the stored job does not fit this program",
            where=f"job {job}",
            why="; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors()[:3]),
            remedy="Export it with the version that wrote it, correct the file and apply it again",
        ) from error


def _row(job: str, position: int, placement: Placement) -> dict[str, Any]:
    return {
        "job": job,
        "position": position,
        "probe": placement.probe,
        "location": placement.location_id,
        "from_ms": to_ms(placement.from_time),
        "to_ms": None if placement.to_time is None else to_ms(placement.to_time),
    }


# --- statements ---------------------------------------------------------------------------------------------

_JOB = select(job_table.c.document).where(job_table.c.job == bindparam("the_job"))
_JOBS = select(job_table.c.job, job_table.c.document).order_by(job_table.c.job)
_FORGET_PLACEMENTS = delete(placement_table).where(placement_table.c.job == bindparam("the_job"))


_ELSEWHERE_OPEN = (
    select(placement_table)
    .where(
        placement_table.c.probe == bindparam("the_probe"),
        placement_table.c.job != bindparam("the_job"),
        or_(placement_table.c.to_ms.is_(None), placement_table.c.to_ms > bindparam("begins")),
    )
    .order_by(placement_table.c.from_ms)
    .limit(1)
)
_ELSEWHERE = _ELSEWHERE_OPEN.where(placement_table.c.from_ms < bindparam("ends"))


@lru_cache(maxsize=4)
def _keep_job(dialect: str) -> Insert:
    return insert_or_update(dialect, job_table, lambda excluded: {"document": excluded.document})
