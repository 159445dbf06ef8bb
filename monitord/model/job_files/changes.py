"""Changes of a job as they are made on site, one at a time: pure steps from one `JobFile` to the next.

What a form saves is the same model that a job file holds: each step is validated as a whole file would be, and the
same step again changes nothing, so that a form that is sent twice does no harm.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from pydantic import ValidationError

from monitord.errors import JobFileError
from monitord.model.explain import problems
from monitord.model.jobs import Calibration, JobFile, Location, LocationKind, Placement
from monitord.model.readiness.slabs import Slab
from monitord.model.site.checks import ProbeCheck
from monitord.model.site.equipment import Equipment, Water

SLEEVE_DEPTH_SHARE = {1: 0.40, 2: 0.20}
"""Depth of a sleeve as a share of the slab's thickness, by the number of faces it dries from (ASTM F2170, 10.2)."""
DRILLED_KINDS = frozenset({LocationKind.SLAB_SLEEVE, LocationKind.CAVITY, LocationKind.SUBFLOOR_VOID})
"""Locations that a hole is drilled for."""


def sleeve_depth_mm(thickness_mm: float, drying_sides: int) -> float:
    """Depth that a sleeve in a slab is to have, below the drying face (ASTM F2170). [mm]"""
    return SLEEVE_DEPTH_SHARE[drying_sides] * thickness_mm


def new_id(name: str, taken: Iterable[str]) -> str:
    """An id made of a name: small letters, digits and `-`, none that is taken."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    base = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-") or "location"
    known, n = set(taken), 2
    if base not in known:
        return base
    while f"{base}-{n}" in known:
        n += 1
    return f"{base}-{n}"


def with_location(job: JobFile, location: Location) -> JobFile:
    """The job with one more location.

    Raises
    ------
    JobFileError : it would not fit.
    """
    return _checked(job, locations=(*job.locations, location))


def with_location_changed(job: JobFile, location: Location) -> JobFile:
    """The job with one of its locations as given, in its place.

    Raises
    ------
    JobFileError : it would not fit.
    """
    return _checked(job, locations=tuple(location if one.id == location.id else one for one in job.locations))


def with_probe(job: JobFile, placement: Placement, *, swap: bool = False) -> JobFile:
    """The job with a probe at a location from a time on; where it stood in this job before, it stands until then.

    Parameters
    ----------
    swap : other probes at that location leave it at the same time.

    Raises
    ------
    JobFileError : it would not fit.
    """
    same = (placement.probe, placement.location_id, placement.from_time)
    if any((p.probe, p.location_id, p.from_time) == same for p in job.probes):
        return job
    at = placement.from_time
    kept = [
        _ended(p, at)
        if p.to_time is None and (p.probe == placement.probe or (swap and p.location_id == placement.location_id))
        else p
        for p in job.probes
    ]
    return _checked(job, probes=(*(p for p in kept if p is not None), placement))


def without_probe(job: JobFile, probe: str, at: datetime) -> JobFile:
    """The job with a probe taken away at a time; its readings until then stay the location's.

    Raises
    ------
    JobFileError : it would not fit.
    """
    kept = [_ended(p, at) if p.probe == probe and p.to_time is None else p for p in job.probes]
    return _checked(job, probes=tuple(p for p in kept if p is not None))


def with_equipment(job: JobFile, item: Equipment) -> JobFile:
    """The job with a machine at a location from a time on; where it stood in this job before, it stands until then.

    Raises
    ------
    JobFileError : it would not fit.
    """
    if any((e.id, e.location_id, e.from_time) == (item.id, item.location_id, item.from_time) for e in job.equipment):
        return job
    kept = [_taken_out(e, item.from_time) if e.id == item.id else e for e in job.equipment]
    return _checked(job, equipment=(*kept, item))


def without_equipment(job: JobFile, machine: str, at: datetime) -> JobFile:
    """The job with a machine taken out at a time.

    Raises
    ------
    JobFileError : it would not fit.
    """
    return _checked(job, equipment=tuple(_taken_out(e, at) if e.id == machine else e for e in job.equipment))


def with_water(job: JobFile, machine: str, water: Water) -> JobFile:
    """The job with water that was emptied from a machine, or what its meter showed.

    Raises
    ------
    JobFileError : no such dehumidifier stands there at that time, or it would not fit.
    """
    series = next((e for e in job.equipment if e.id == machine and e.covers(water.at)), None)
    if series is None:
        raise JobFileError(f"no equipment {machine!r} stands in this job then", where=f"job {job.job}")
    if water in series.water:
        return job
    filled = series.model_copy(update={"water": tuple(sorted((*series.water, water), key=lambda one: one.at))})
    return _checked(job, equipment=tuple(filled if e is series else e for e in job.equipment))


def with_check(job: JobFile, check: ProbeCheck, *, leave: bool) -> JobFile:
    """The job with a check of probes that has begun; the same again changes nothing.

    Parameters
    ----------
    leave : the probes leave their locations meanwhile, so that what they read in the box counts for none.

    Raises
    ------
    JobFileError : it would not fit, or one of the probes is in another check.
    """
    if check in job.checks:
        return job
    for other in job.checks:
        twice = sorted(set(other.probes) & set(check.probes)) if other.to_time is None else []
        if twice:
            raise JobFileError(f"probe {twice[0]!r} is in another check", remedy="End that one first")
    if leave:
        for probe in check.probes:
            job = without_probe(job, probe, check.from_time)
    return _checked(job, checks=(*job.checks, check))


def with_check_ended(job: JobFile, number: int, at: datetime) -> JobFile:
    """The job with a check ended at a time; `number` counts from 1. One that has ended stays as it is.

    Raises
    ------
    JobFileError : no such check, or it would not fit.
    """
    if not 1 <= number <= len(job.checks):
        raise JobFileError(f"there is no check {number}", where=f"job {job.job}")
    ended = [
        check.model_copy(update={"to_time": at}) if place == number and check.to_time is None else check
        for place, check in enumerate(job.checks, start=1)
    ]
    return _checked(job, checks=tuple(ended))


def with_slab(job: JobFile, slab: Slab) -> JobFile:
    """The job with a slab, in the place of the one of its id.

    Raises
    ------
    JobFileError : it would not fit.
    """
    if any(one.id == slab.id for one in job.slabs):
        return _checked(job, slabs=tuple(slab if one.id == slab.id else one for one in job.slabs))
    return _checked(job, slabs=(*job.slabs, slab))


def without_slab(job: JobFile, slab: str) -> JobFile:
    """The job without one of its slabs; its positions stay."""
    return _checked(job, slabs=tuple(one for one in job.slabs if one.id != slab))


def with_calibration(job: JobFile, calibration: Calibration) -> JobFile:
    """The job with one more correction; the same again changes nothing.

    Raises
    ------
    JobFileError : it would not fit.
    """
    if calibration in job.calibrations:
        return job
    return _checked(job, calibrations=(*job.calibrations, calibration))


def without_calibration(job: JobFile, number: int) -> JobFile:
    """The job without one of its corrections; `number` counts from 1."""
    return _checked(job, calibrations=(*job.calibrations[: number - 1], *job.calibrations[number:]))


def revised(job: JobFile, **changes: Any) -> JobFile:
    """The job with other values in its head, such as `name` or `timezone`.

    Raises
    ------
    JobFileError : it would not fit.
    """
    return _checked(job, **changes)


def _taken_out(item: Equipment, at: datetime) -> Equipment:
    return item.model_copy(update={"to_time": at}) if item.to_time is None else item


def _ended(placement: Placement, at: datetime) -> Placement | None:
    """A placement that ends at a time; None: it would have begun only then, and never was."""
    return placement.model_copy(update={"to_time": at}) if placement.from_time < at else None


def _checked(job: JobFile, **changes: Any) -> JobFile:
    try:
        return JobFile.model_validate(job.model_copy(update=changes).model_dump(by_alias=True))
    except ValidationError as error:
        first = problems(error, JobFile)[0]
        raise JobFileError(first.what, where=f"job {job.job}", remedy=first.remedy or "Nothing was changed") from None
