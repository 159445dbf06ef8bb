"""Job files: what is taken, and how each mistake is named."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.errors import JobFileError
from monitord.model.job_files.files import dump_job, job_schema, load_job_file, parse_job
from monitord.model.jobs import Goal, GoalMetric, JobFile, Location, LocationKind, Placement

FOLDER = Path(__file__).parent / "jobfiles"
EXAMPLE = Path(__file__).parents[3] / "config" / "job.example.toml"
BAD = sorted((FOLDER / "bad").glob("*.toml"))


def said_by(path: Path) -> str:
    with pytest.raises(JobFileError) as caught:
        load_job_file(path)
    return caught.value.message


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_each_mistake_is_one_line_that_names_file_key_and_remedy(path: Path) -> None:
    expected = [line.removeprefix("# says: ") for line in path.read_text().splitlines() if line.startswith("# says: ")]
    message = said_by(path)
    assert expected, "the fixture says nothing to look for"
    assert message.startswith(str(path))
    assert "\n" not in message
    for part in expected:
        assert part in message


def test_the_example_job_is_taken() -> None:
    job = load_job_file(EXAMPLE)
    kinds = {location.kind for location in job.locations}
    assert {"room_air", "outdoor_air", "cavity", "subfloor_void", "slab_sleeve"} <= kinds
    assert job.placements_at("hall-void")[-1].probe == "p-309"


def test_a_replay_job_with_nulls_and_a_moved_probe_is_taken_as_it_is() -> None:
    job = load_job_file(FOLDER / "good" / "replay.json")
    assert [(p.probe, p.location_id) for p in job.probes] == [("a1", "room"), ("a1", "s40")]
    assert job.location("s40").goal == Goal(metric=GoalMetric.EQUILIBRIUM_RH, limit=80)


def test_times_are_held_in_utc_whatever_their_offset() -> None:
    assert load_job_file(FOLDER / "good" / "smallest.toml").start == datetime(2025, 6, 1, 9, tzinfo=UTC)


def test_mistakes_of_single_keys_and_between_entries_are_reported_at_once() -> None:
    """A limit as text, a kind that is none, a probe at two locations at one time, and two names of no location."""
    text = """
job = "a"
start = 2025-01-01T00:00:00Z
end = 2024-12-01T00:00:00Z

[[locations]]
id = "hall"
kind = "corridor"

[[locations]]
id = "wall"
kind = "cavity"
reference = "hall"
goal = { metric = "rh_pct", limit = "60" }

[[probes]]
probe = "p1"
location_id = "wall"
from = 2025-01-01T00:00:00Z

[[probes]]
probe = "p1"
location_id = "attic"
from = 2025-01-02T00:00:00Z
interval_s = -1
"""
    with pytest.raises(JobFileError) as caught:
        parse_job(text, "toml", "a.toml")
    said = [str(mistake) for mistake in caught.value.mistakes]
    for part in (
        "limit",
        "kind",
        "interval_s",
        "'p1' is placed at 'attic'",
        "'wall' and at 'attic'",
        "end is not after",
    ):
        assert sum(part in one for one in said) == 1, part
    assert len(said) == 6  # and none of what is sound: the reference to the hall, whose kind is wrong


def test_a_start_that_is_missing_hides_no_other_mistake() -> None:
    probe = {"probe": "p", "location_id": "x", "from": "2025-01-01T00:00:00Z"}
    text = json.dumps({"job": "a", "end": "2024-12-01T00:00:00Z", "spots": [{"x": 1}], "probes": [probe, 7]})
    with pytest.raises(JobFileError) as caught:
        parse_job(text, "json", "a.json")
    said = " ".join(str(mistake) for mistake in caught.value.mistakes)
    assert "key `start` is missing" in said
    assert "'p' is placed at 'x'" in said


def test_equipment_at_a_location_that_can_not_be_read_is_no_mistake_of_its_own() -> None:
    machine = {"id": "d1", "kind": "dehumidifier", "location_id": "hall", "from": "2025-01-01T00:00:00Z"}
    job = {"job": "a", "start": "2025-01-01T00:00:00Z", "locations": [{"id": "hall", "kind": "kitchen"}]}
    with pytest.raises(JobFileError) as caught:
        parse_job(json.dumps({**job, "equipment": [machine]}), "json", "a.json")
    assert len(caught.value.mistakes) == 1
    assert "`locations[0].kind`" in caught.value.mistakes[0]


def test_several_mistakes_are_counted() -> None:
    text = '{"job": "a", "start": "2025-01-01T00:00:00Z", "x": 1, "y": 2, "z": 3}'
    with pytest.raises(JobFileError) as caught:
        parse_job(text, "json", "a.json")
    assert len(caught.value.mistakes) == 3
    assert caught.value.message.startswith("3 mistakes; nothing was applied\n  a.json: unknown key `x`. ")
    for key, mistake in zip("xyz", caught.value.mistakes, strict=True):
        assert mistake.startswith(f"a.json: unknown key `{key}`. ")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('{"job": "a", "job": "b"}', "key `job` stands twice"),
        ('{"job": "a", "start": "2025-01-01T00:00:00Z", "elevation_m": NaN}', "NaN is not a number"),
        ('{"job": "a", "start": 1735689600}', "`start` is 1735689600, but it should be a time with its offset"),
        ('{"job": "a", "start": "2025-01-01T00:00:00Z", "elevation_m": true}', "`elevation_m` is True"),
        ("[]", "it should be a table with keys of its own"),
        ("{", "not valid JSON"),
    ],
)
def test_json_is_held_to_its_letter(text: str, message: str) -> None:
    with pytest.raises(JobFileError) as caught:
        parse_job(text, "json", "a.json")
    assert message in caught.value.message


def test_a_file_of_another_kind_or_none_is_refused(tmp_path: Path) -> None:
    assert "Name it with .toml or .json" in said_by(tmp_path / "job.yaml")
    assert "can't be read (No such file or directory)" in said_by(tmp_path / "job.toml")
    (tmp_path / "latin.toml").write_bytes(b'job = "caf\xe9"')
    assert "not UTF-8 text" in said_by(tmp_path / "latin.toml")


ids = st.from_regex(r"[a-z0-9åé][a-zåé0-9_.-]{0,8}", fullmatch=True)
moments = st.integers(978_307_200, 3_786_912_000).map(lambda s: datetime.fromtimestamp(s, UTC))
floats = st.floats(0.01, 90, allow_nan=False)


@st.composite
def jobs(draw: st.SampleFn) -> JobFile:
    start = draw(moments)
    names = draw(st.lists(ids, min_size=1, max_size=4, unique=True))
    locations = [
        Location(
            id=name,
            name=draw(st.text(max_size=12)),
            kind=draw(st.sampled_from([LocationKind.CAVITY, LocationKind.ROOM_AIR])),
            f_rsi=draw(st.none() | st.floats(0.1, 1)),
            goal=draw(st.none() | st.builds(Goal, metric=st.just(GoalMetric.RH), limit=floats)),
        )
        for name in names
    ]
    placements = [
        Placement(
            probe=f"p{i}",
            location_id=draw(st.sampled_from(names)),
            from_time=start,
            to_time=draw(st.none() | st.just(start + timedelta(seconds=draw(st.integers(1, 10**8))))),
            interval_s=draw(st.floats(1, 86_400)),
        )
        for i in range(draw(st.integers(0, 4)))
    ]
    return JobFile(job=draw(ids), name=draw(st.text(max_size=20)), start=start, locations=locations, probes=placements)


@given(jobs())
def test_what_is_exported_is_read_back_equal_from_either_format(job: JobFile) -> None:
    assert parse_job(dump_job(job, "toml"), "toml") == job
    assert parse_job(dump_job(job, "json"), "json") == job


def test_the_published_schema_describes_every_key() -> None:
    schema = job_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert set(schema["properties"]) == set(json.loads(dump_job(load_job_file(EXAMPLE), "json")))
    placements = schema["$defs"]["Placement"]
    assert {"id", "location_id", "from"} == set(placements["required"])
    for name, part in {"JobFile": schema, **schema["$defs"]}.items():
        assert part.get("additionalProperties", False) is False, name
        for key, entry in part.get("properties", {}).items():
            assert entry.get("description"), f"{name}.{key} has no description"
