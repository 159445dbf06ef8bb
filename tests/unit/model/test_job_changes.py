"""Steps of a job on site: place, move, swap, take away; and what they refuse."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from monitord.errors import JobFileError
from monitord.model.job_files.changes import new_id, sleeve_depth_mm, with_location, with_probe, without_probe
from monitord.model.job_files.files import dump_job, parse_job
from monitord.model.jobs import JobFile, Location, LocationKind, Placement

T0 = datetime(2026, 11, 4, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)
HALL = Location(id="hall", kind=LocationKind.CAVITY)
BATH = Location(id="bath", kind=LocationKind.CAVITY)
EMPTY = JobFile(job="j", start=T0, locations=(HALL, BATH))


def stay(probe: str, where: str, hours: float) -> Placement:
    return Placement(probe=probe, location_id=where, from_time=T0 + hours * HOUR)


def stays(job: JobFile) -> list[tuple[str, str, float, float | None]]:
    def hours(at: datetime | None) -> float | None:
        return None if at is None else (at - T0) / HOUR

    return [(p.probe, p.location_id, hours(p.from_time) or 0.0, hours(p.to_time)) for p in job.probes]


def test_a_probe_that_is_moved_leaves_where_it_was_at_that_moment() -> None:
    job = with_probe(with_probe(EMPTY, stay("K7", "hall", 1)), stay("K7", "bath", 5))
    assert stays(job) == [("K7", "hall", 1, 5), ("K7", "bath", 5, None)]


def test_a_swap_takes_the_other_probe_away_and_without_one_both_stand() -> None:
    before = with_probe(EMPTY, stay("old", "hall", 1))
    assert stays(with_probe(before, stay("new", "hall", 3), swap=True)) == [
        ("old", "hall", 1, 3),
        ("new", "hall", 3, None),
    ]
    assert stays(with_probe(before, stay("new", "hall", 3))) == [("old", "hall", 1, None), ("new", "hall", 3, None)]


def test_the_same_step_again_changes_nothing() -> None:
    job = with_probe(EMPTY, stay("K7", "hall", 1))
    assert with_probe(job, stay("K7", "hall", 1)) == job


def test_taking_a_probe_away_ends_its_stay_and_one_that_never_was_is_gone() -> None:
    job = with_probe(EMPTY, stay("K7", "hall", 1))
    assert stays(without_probe(job, "K7", T0 + 4 * HOUR)) == [("K7", "hall", 1, 4)]
    assert stays(without_probe(job, "K7", T0 + HOUR)) == []


def test_what_would_be_no_job_file_is_refused_and_what_is_made_is_one() -> None:
    job = with_probe(EMPTY, stay("K7", "hall", 3))
    with pytest.raises(JobFileError, match="at the same time"):
        with_probe(without_probe(job, "K7", T0 + 9 * HOUR), stay("K7", "bath", 5))
    with pytest.raises(JobFileError):
        with_location(EMPTY, HALL)
    with pytest.raises(JobFileError):
        with_probe(EMPTY, stay("K7", "cellar", 1))
    assert parse_job(dump_job(job, "json"), "json") == job


# ASTM F2170: sleeves at 40 % of the thickness of a slab that dries from one side, 20 % where it dries from both
@pytest.mark.parametrize(("thickness", "sides", "depth"), [(100.0, 1, 40.0), (150.0, 1, 60.0), (150.0, 2, 30.0)])
def test_a_sleeve_is_as_deep_as_the_standard_asks(thickness: float, sides: int, depth: float) -> None:
    assert sleeve_depth_mm(thickness, sides) == pytest.approx(depth)


@pytest.mark.parametrize(
    ("name", "taken", "wanted"),
    [
        ("Kitchen slab by the hatch", (), "kitchen-slab-by-the-hatch"),
        ("Küche, links", (), "kuche-links"),
        ("Hall", ("hall", "hall-2"), "hall-3"),
        ("廊下", (), "location"),
    ],
)
def test_a_name_becomes_an_id_that_is_free(name: str, taken: tuple[str, ...], wanted: str) -> None:
    assert new_id(name, taken) == wanted
