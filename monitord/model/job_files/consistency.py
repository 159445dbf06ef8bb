"""Which entries of a job contradict each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitord.model.jobs import JobFile, Placement
    from monitord.model.site.equipment import Equipment


def mistakes_between(job: JobFile, known: set[str]) -> list[str]:
    """What the entries say that can't all be so, as `what; remedy`; `known` are the ids of all locations of the job."""
    mistakes = [*_of_locations(job, known), *_of_spots(job, known), *_of_placements(job, known)]
    mistakes += [*_of_slabs(job, known), *_of_equipment(job, known), *_of_plan(job, known)]
    if job.end is not None and job.end <= job.start:
        mistakes.append("the job's end is not after its start; correct `start` or `end`")
    return mistakes


def _of_locations(job: JobFile, known: set[str]) -> Iterator[str]:
    ids = [location.id for location in job.locations]
    for twice in sorted({i for i in ids if ids.count(i) > 1}):
        yield f"location id {twice!r} is used twice; give each location its own id"
    for location in job.locations:
        who, goal = f"location {location.id!r}", location.goal
        if location.reference is not None and location.reference not in known:
            yield (
                f"{who}: reference {location.reference!r} is not a location of this job; "
                f"use one of {', '.join(sorted(known))}"
            )
        if location.reference == location.id:
            yield f"{who} is its own reference; name another location"
        for control in (one.control for one in (goal, location.spot_goal) if one is not None):
            if control is not None and (control not in known or control == location.id):
                yield (
                    f"{who}: control {control!r} is not another location of this job; "
                    f"use one of {', '.join(sorted(known - {location.id}))}"
                )
        needs = goal is not None and goal.needs_reference
        if needs and location.reference is None:
            yield f"{who}: a vp_excess_pa goal needs a reference; add one"


def _of_spots(job: JobFile, known: set[str]) -> Iterator[str]:
    for spot in job.spots:
        if spot.location_id not in known:
            yield (
                f"the spot reading of {spot.at:%Y-%m-%dT%H:%MZ} is at {spot.location_id!r}, which is not a "
                f"location of this job; use one of {', '.join(sorted(known)) or '(none yet)'}"
            )


def _of_equipment(job: JobFile, known: set[str]) -> Iterator[str]:
    outdoor = {location.id for location in job.locations if location.is_outdoors}
    last: dict[str, Equipment] = {}
    for item in sorted(job.equipment, key=lambda e: (e.id, e.from_time)):
        if item.location_id not in known:
            yield (
                f"equipment {item.id!r} is at {item.location_id!r}, which is not a location of this job; "
                f"use one of {', '.join(sorted(known)) or '(none yet)'}"
            )
        elif item.location_id in outdoor:
            yield f"equipment {item.id!r} stands in the outdoor air {item.location_id!r}; name the room it dries"
        before = last.get(item.id)
        if before is not None and (before.to_time is None or before.to_time > item.from_time):
            yield (
                f"equipment {item.id!r} is at {before.location_id!r} and at {item.location_id!r} at the same time "
                f"({item.from_time:%Y-%m-%dT%H:%MZ}); end the first entry with `to`"
            )
        last[item.id] = item


def _of_plan(job: JobFile, known: set[str]) -> Iterator[str]:
    named = [] if job.plan is None else [point.location for point in job.plan.points]
    for twice in sorted({i for i in named if named.count(i) > 1}):
        yield f"location {twice!r} is on the plan twice; keep one of its points"
    for location_id in sorted(set(named) - known):
        yield f"a point of the plan is of {location_id!r}, which is not a location of this job; take it out"


def _of_slabs(job: JobFile, known: set[str]) -> Iterator[str]:
    ids = [slab.id for slab in job.slabs]
    for twice in sorted({i for i in ids if ids.count(i) > 1}):
        yield f"slab id {twice!r} is used twice; give each slab its own id"
    locations = {location.id: location for location in job.locations}
    taken: dict[str, str] = {}
    for slab in job.slabs:
        named = [*slab.locations, *([slab.room] if slab.room else [])]
        for location_id in (name for name in named if name not in known):
            yield (
                f"slab {slab.id!r}: {location_id!r} is not a location of this job; "
                f"use one of {', '.join(sorted(known)) or '(none yet)'}"
            )
        if slab.room in locations and not locations[slab.room].is_room:
            yield f"slab {slab.id!r}: room {slab.room!r} is no room_air location; name one"
        for location_id in (name for name in slab.locations if name in locations):
            location = locations[location_id]
            if not location.is_in_slab:
                yield (
                    f"slab {slab.id!r}: location {location_id!r} is a {location.kind.value}; "
                    "list slab_sleeve locations, or surface locations under a sealed box"
                )
            if location_id in taken:
                yield (
                    f"location {location_id!r} is a position of slab {taken[location_id]!r} and of {slab.id!r}; "
                    "a position belongs to one slab"
                )
            taken[location_id] = slab.id


def _of_placements(job: JobFile, known: set[str]) -> Iterator[str]:
    last: dict[str, Placement] = {}
    for placement in sorted(job.probes, key=lambda p: (p.probe, p.from_time)):
        if placement.location_id not in known:
            yield (
                f"probe {placement.probe!r} is placed at {placement.location_id!r}, which is not a location of "
                f"this job; use one of {', '.join(sorted(known)) or '(none yet)'}"
            )
        before = last.get(placement.probe)
        if before is not None and (before.to_time is None or before.to_time > placement.from_time):
            yield (
                f"probe {placement.probe!r} is at {before.location_id!r} and at {placement.location_id!r} at the "
                f"same time ({placement.from_time:%Y-%m-%dT%H:%MZ}); end the first placement with `to`"
            )
        last[placement.probe] = placement
