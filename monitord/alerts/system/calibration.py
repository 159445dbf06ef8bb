"""When each probe's next check is due, by what the job file tells of its last one. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta

from monitord.model.assessments import Finding
from monitord.model.jobs import JobFile, Placement

_DAY_S = 86_400.0


def calibrations_due(job: JobFile, as_of: datetime, valid_d: float) -> list[Finding]:
    """The days that are left for each probe that stands in the job now; below 0: its check is overdue.

    A probe of which no check is known is left out: nothing can be said.

    Parameters
    ----------
    valid_d : how long a check is good for where the job says nothing else. [d]
    """
    valid = timedelta(days=job.calibration_valid_d or valid_d)
    found = []
    for placement in job.probes:
        last = job.checked_at(placement, as_of) if placement.covers(as_of) else None
        if last is not None:
            found.append(_finding(job, placement, last, valid, as_of))
    return found


def _finding(job: JobFile, placement: Placement, last: datetime, valid: timedelta, as_of: datetime) -> Finding:
    left_d = (last + valid - as_of).total_seconds() / _DAY_S
    day = f"{last.astimezone(job.zone):%Y-%m-%d}"
    return Finding(
        kind="calibration_due",
        location=placement.location_id,
        probe=placement.probe,
        measured_at=as_of,
        value=left_d,
        unit="d",
        readings=1,
        summary=f"Probe {placement.probe} was last checked on {day}, which is good for {valid.days} days: "
        f"its next check is {_due(left_d)}.",
        why="Humidity sensors drift, and a verdict may not stand up if its probe's check is too old.",
        look_first="Check it in a saturated salt, or beside a probe that was, and enter the check in the job file.",
    )


def _due(left_d: float) -> str:
    if left_d >= 1.0:
        return f"due in {left_d:.0f} days"
    return "due now" if left_d > -1.0 else f"{-left_d:.0f} days overdue"
