"""What a job file says that can hardly be meant: refused or remarked when it is applied.

The schema (`jobs.py`) refuses what can't be stored at all. Here is what could be stored and would then mislead: a goal
that nothing judges, a ratio where per cent is meant, a probe that was there before its job.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

from monitord.model.jobs import AIR_KINDS, Goal, GoalMetric, JobFile, Location, LocationKind

_RH = GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH, GoalMetric.RH_OVER_CONTROL
_TIMBER = GoalMetric.TIMBER_MOISTURE, GoalMetric.TIMBER_OVER_CONTROL
_IN_CAVITIES = frozenset({GoalMetric.RH, GoalMetric.VAPOUR_PRESSURE_EXCESS, GoalMetric.RH_OVER_CONTROL, *_TIMBER})

SUITS: dict[LocationKind, frozenset[GoalMetric]] = {
    LocationKind.SLAB_SLEEVE: frozenset(_RH),
    LocationKind.MATERIAL: frozenset({*_RH, *_TIMBER}),
    LocationKind.SURFACE: frozenset({*_RH, GoalMetric.VAPOUR_PRESSURE_EXCESS}),
    LocationKind.CAVITY: _IN_CAVITIES,
    LocationKind.SUBFLOOR_VOID: _IN_CAVITIES,
    LocationKind.ROOM_AIR: frozenset(),
    LocationKind.OUTDOOR_AIR: frozenset(),
}
"""Which goal metrics suit which kind of location. An equilibrium needs a sealed space in or on the material (ASTM
F2170, BS 8203); air has no goal, since it dries nothing by itself. Common practice."""

RATIO_UP_TO = 1.5
"""A limit in per cent up to this is taken for a ratio: no element is dried to 1.5 % RH or 1.5 % of dry mass. Our
choice."""
MAX_RH = 100.0
AHEAD = timedelta(days=365)
"""A start further ahead is a slip in the year. Our choice."""


class Remark(NamedTuple):
    """One thing that can hardly be meant."""

    refused: bool
    """Whether the job is not to be applied with it; else it is applied, and people are told."""
    where: str
    """The entry of the file."""
    key: str
    what: str
    remedy: str

    @property
    def words(self) -> str:
        """All of it, for the line of a message."""
        return f"{self.where}, `{self.key}`: {self.what}. {self.remedy}"


def remarks(job: JobFile, now: datetime) -> list[Remark]:
    """What can hardly be meant in a job that is to be applied now, in the file's order."""
    found = [] if job.start <= now + AHEAD else [_far_ahead(job)]
    for location in job.locations:
        where = f"location {location.id!r}"
        if location.goal is not None:
            found += _of_goal(where, location, location.goal)
        if location.kind is LocationKind.SLAB_SLEEVE:
            found += _of_sleeve(where, location)
    found += [
        Remark(
            False,
            f"probe {placement.probe!r}",
            "from",
            f"it is placed {placement.from_time:%Y-%m-%dT%H:%MZ}, before the job starts ({job.start:%Y-%m-%dT%H:%MZ})",
            "Correct `from`, or the job's `start`",
        )
        for placement in job.probes
        if placement.from_time < job.start
    ]
    return found


def _far_ahead(job: JobFile) -> Remark:
    return Remark(
        True,
        "job",
        "start",
        f"{job.start:%Y-%m-%d} is more than a year ahead",
        "Check the year; until then nothing runs",
    )


def _of_goal(where: str, location: Location, goal: Goal) -> list[Remark]:
    found = []
    suits = SUITS[location.kind]
    if goal.metric not in suits:
        kind = location.kind.value
        what = f"{goal.metric.value} does not suit a {kind} location"
        if location.kind in AIR_KINDS:
            what, remedy = "no goal is ever judged for air", "Remove it, or give it to the wet element"
        else:
            remedy = f"Use one of {', '.join(sorted(metric.value for metric in suits))}"
        found.append(Remark(True, where, "goal.metric", what, remedy))
    in_per_cent = goal.metric in (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH, GoalMetric.TIMBER_MOISTURE)
    if in_per_cent and goal.limit <= RATIO_UP_TO:
        what = f"{goal.limit:g} looks like a ratio; the limit is in per cent"
        found.append(Remark(True, where, "goal.limit", what, f"Write {100.0 * goal.limit:g} for {goal.limit:g}"))
    elif goal.metric in _RH and goal.limit >= MAX_RH:
        what = f"{goal.limit:g} % RH is met by any air"
        found.append(Remark(True, where, "goal.limit", what, "Write the limit below 100 that ends the drying"))
    return found


def _of_sleeve(where: str, location: Location) -> list[Remark]:
    needed = {
        "depth_mm": (location.depth_mm, "without it its humidity has no depth to compare with a limit"),
        "slab_thickness_mm": (
            location.slab_thickness_mm,
            "without it the depth can't be judged as a share of the slab",
        ),
        "sealed_at": (location.sealed_at, "without it the hours of equilibration count from the probe's placement"),
    }
    return [
        Remark(False, where, key, f"a sleeve has none; {why}", "Add it")
        for key, (value, why) in needed.items()
        if value is None
    ]
