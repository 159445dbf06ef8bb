"""When each probe's next check is due, by what the job file tells of its last one. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta

from monitord.model.assessments import Facts, Finding
from monitord.model.facts import FindingKind
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
            found.append(_finding(placement, last, valid, as_of))
    return found


def _finding(placement: Placement, last: datetime, valid: timedelta, as_of: datetime) -> Finding:
    left_d = (last + valid - as_of).total_seconds() / _DAY_S
    return Finding(
        kind=FindingKind.CALIBRATION_DUE,
        location=placement.location_id,
        probe=placement.probe,
        measured_at=as_of,
        value=left_d,
        unit="d",
        readings=1,
        facts=Facts(measured_at=last, due=last + valid),
    )
