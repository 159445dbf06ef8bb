"""The plan of a job: points that belong to it, kept and read back as every other part of a job file."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from pydantic import ValidationError

from monitord.model.explain import problems
from monitord.model.job_files.changes import revised
from monitord.model.job_files.files import dump_job, parse_job
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.site.plan import Plan, PlanPoint

JOB = JobFile(
    job="j",
    start=datetime(2026, 1, 5, tzinfo=UTC),
    locations=(Location(id="room", kind=LocationKind.ROOM_AIR), Location(id="hall", kind=LocationKind.CAVITY)),
)
PLAN = Plan(photo="0" * 64)


def point(location: str, x: int = 100, y: int = 1000) -> PlanPoint:
    return PlanPoint(location=location, x=x, y=y)


def test_a_location_has_one_point_and_a_job_with_a_plan_is_read_back_as_it_was_written() -> None:
    plan = PLAN.with_point(point("hall")).with_point(point("room", 5, 7)).with_point(point("hall", 900, 0))
    assert plan.points == (point("room", 5, 7), point("hall", 900, 0))
    assert plan.without("room").points == (point("hall", 900, 0),)
    job = revised(JOB, plan=plan)
    for form in ("toml", "json"):
        assert parse_job(dump_job(job, form), form) == job  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("points", "why"),
    [
        (({"location": "hall", "x": 1, "y": 2}, {"location": "hall", "x": 3, "y": 4}), "on the plan twice"),
        (({"location": "attic", "x": 1, "y": 2},), "not a location of this job"),
        (({"location": "hall", "x": 1001, "y": 2},), "1000"),
        (({"location": "hall", "x": -1, "y": 2},), "0"),
    ],
)
def test_points_that_can_not_be_are_refused_with_what_to_do(points: tuple[dict[str, object], ...], why: str) -> None:
    document = JOB.model_dump(by_alias=True) | {"plan": {"photo": "0" * 64, "points": points}}
    with pytest.raises(ValidationError) as refused:
        JobFile.model_validate(document)
    assert why in problems(refused.value, JobFile)[0].what
