"""What a job file says that can hardly be meant, all of a file's mistakes at once, and the example with fresh dates."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from monitord.errors import JobFileError
from monitord.model.job_files.checks import SUITS, Remark, remarks
from monitord.model.job_files.example import fresh_example, shipped_example
from monitord.model.job_files.files import parse_job
from monitord.model.jobs import AIR_KINDS, GoalMetric, JobFile, LocationKind

ROOT = Path(__file__).parents[3]
NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
MANY = """
job = "mill/3"
timezone = "Europe/Dublin"
start = "yesterday"
[[locations]]
id = "room"
kind = "room"
[[locations]]
id = "deep"
kind = "slab_sleeve"
depth_mm = "40"
drying_sides = 3
goal = { metric = "rh_pct", limit = true }
[[probes]]
id = "p1"
location_id = "room"
from = 2026-02-30
"""
INCONSISTENT = """
job = "mill-3"
start = 2026-03-01T08:00:00Z
end = 2026-02-01T08:00:00Z
[[locations]]
id = "void"
kind = "subfloor_void"
reference = "hall"
goal = { metric = "rh_over_control_pct", limit = 4, control = "attic" }
[[probes]]
id = "p1"
location_id = "nowhere"
from = 2026-03-01T08:00:00Z
[[probes]]
id = "p1"
location_id = "void"
from = 2026-03-01T09:00:00Z
[[spots]]
location_id = "shed"
at = 2026-03-01T09:00:00Z
kind = "wood_moisture_pct"
value = 20
"""
PARSER_TALK = re.compile(r"datetime|separator|timezone info|instance|Input|valid (number|string)|NoneType|pattern")


def job(goal: str = "", kind: str = "slab_sleeve", start: str = "2026-03-01T08:00:00Z", more: str = "") -> JobFile:
    return parse_job(
        f'job = "a"\nstart = {start}\n[[locations]]\nid = "hall"\nkind = "room_air"\n'
        f'[[locations]]\nid = "x"\nkind = "{kind}"\nreference = "hall"\n{goal}\n{more}',
        "toml",
    )


SLEEVE = "depth_mm = 30\nslab_thickness_mm = 80\nsealed_at = 2026-03-01T09:00:00Z"


@pytest.mark.parametrize(("text", "keys"), [
    (MANY.replace("2026-02-30", "2026-02-28"),
     ("`job`", "`start`", "`locations[0].kind`", "`locations[1].depth_mm`", "`locations[1].drying_sides`",
      "`locations[1].goal.limit`", "`probes[0].from`")),
    (INCONSISTENT,
     ("reference 'hall'", "control 'attic'", "placed at 'nowhere'", "at the same time", "'shed'", "end is not after")),
])  # fmt: skip
def test_all_mistakes_are_told_at_once_each_with_file_and_remedy(text: str, keys: tuple[str, ...]) -> None:
    with pytest.raises(JobFileError) as caught:
        parse_job(text, "toml", "mill.toml")
    mistakes = caught.value.mistakes
    assert len(mistakes) == len(keys)
    for key in keys:
        assert sum(key in mistake for mistake in mistakes) == 1, key
    for mistake in mistakes:
        assert mistake.startswith("mill.toml")
        assert ". " in mistake
        assert PARSER_TALK.search(mistake) is None, mistake


def of(found: list[Remark], refused: bool) -> list[str]:
    return [remark.key for remark in found if remark.refused is refused]


@pytest.mark.parametrize(
    ("limit", "refused"), [("0.75", True), ("1.5", True), ("1.6", False), ("75", False), ("99.9", False), ("100", True)]
)
def test_a_ratio_and_a_limit_that_any_air_meets_are_refused(limit: str, refused: bool) -> None:
    found = remarks(job(f'goal = {{ metric = "equilibrium_rh_pct", limit = {limit} }}\n{SLEEVE}'), NOW)
    assert of(found, True) == (["goal.limit"] if refused else [])
    assert of(found, False) == []
    if limit == "0.75":
        assert "Write 75 for 0.75" in found[0].words


@pytest.mark.parametrize("kind", LocationKind)
@pytest.mark.parametrize("metric", GoalMetric)
def test_a_metric_that_does_not_suit_its_kind_is_refused(kind: LocationKind, metric: GoalMetric) -> None:
    control = ', control = "hall"' if "over_control" in metric else ""
    more = SLEEVE if kind is LocationKind.SLAB_SLEEVE else ""
    found = remarks(job(f'goal = {{ metric = "{metric}", limit = 15{control} }}\n{more}', kind), NOW)
    assert of(found, True) == ([] if metric in SUITS[kind] else ["goal.metric"])
    assert kind not in AIR_KINDS or "no goal is ever judged for air" in found[0].words


def test_a_sleeve_is_told_what_it_lacks_and_a_probe_before_its_job_too() -> None:
    probe = '[[probes]]\nid = "p"\nlocation_id = "x"\nfrom = 2026-03-01T07:59:00Z'
    found = remarks(job(more=probe), NOW)
    assert of(found, True) == []
    assert of(found, False) == ["depth_mm", "slab_thickness_mm", "sealed_at", "from"]
    assert remarks(job(SLEEVE, more=probe.replace("07:59", "08:00")), NOW) == []


def test_a_start_over_a_year_ahead_is_a_slip_in_the_year() -> None:
    assert of(remarks(job(SLEEVE, start="2027-03-03T08:00:00Z"), NOW), True) == ["start"]
    assert remarks(job(SLEEVE, start="2027-03-02T08:00:00Z"), NOW) == []


def test_the_table_of_the_guide_says_which_metric_suits_which_kind() -> None:
    page = (ROOT / "monitord" / "analysis" / "STATES.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", page.partition("## Goals")[2], re.MULTILINE)
    told = {kind: set(re.findall(r"`(\w+)`", metrics)) for kind, metrics in rows}
    assert told == {kind.value: {metric.value for metric in metrics} for kind, metrics in SUITS.items()}


DATES = re.compile(r"\d{4}-\d{2}-\d{2}")


def test_the_example_is_the_shipped_file_apart_from_its_dates() -> None:
    shipped = (ROOT / "config" / "job.example.toml").read_text(encoding="utf-8")
    assert DATES.sub("", shipped) == DATES.sub("", shipped_example())
    assert DATES.sub("", fresh_example(NOW.date())) == DATES.sub("", shipped)


@pytest.mark.parametrize("today", [date(2024, 2, 29), date(2026, 11, 27), date(2031, 1, 1)])
def test_the_example_is_fresh_whatever_the_day_and_has_nothing_to_remark(today: date) -> None:
    found = parse_job(fresh_example(today), "toml")
    now = datetime(today.year, today.month, today.day, tzinfo=UTC)
    times = [found.start, *(p.from_time for p in found.probes), *(s.at for s in found.spots)]
    assert now - timedelta(days=1) <= max(times) < now
    assert now - min(times) < timedelta(days=30)
    assert remarks(found, now) == []
