"""readiness.csv: a row a day and one at each change, by the clock of the replay."""

from __future__ import annotations

import csv
from datetime import datetime
from itertools import pairwise

import pytest

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.replay.run import run_replay
from simulators.jobs.generate import generate
from simulators.jobs.replay_files import write_job


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, str]]]:
    folder = tmp_path_factory.mktemp("job")
    made = generate("sleeves", 1)
    sleeve = next(where["id"] for where in made.job["locations"] if where["kind"] == "slab_sleeve")
    made.job["slabs"] = [{"id": "floor", "locations": [sleeve], "criteria": "in-situ-rh-72h", "area_m2": 20}]
    made.job["end"] = made.job["start"][:8] + f"{int(made.job['start'][8:10]) + 6:02d}" + made.job["start"][10:]
    write_job(folder, made.job, made.readings, made.truth)
    run_replay(folder, folder / "out", progress=False, rules=default_rule_book())
    with (folder / "out" / "readiness.csv").open(encoding="utf-8", newline="") as file:
        found: dict[str, list[dict[str, str]]] = {}
        for row in csv.DictReader(file):
            found.setdefault(row["slab"], []).append(row)
    return found


def test_every_slab_and_every_other_element_with_a_goal_has_rows(rows: dict[str, list[dict[str, str]]]) -> None:
    assert "floor" in rows
    assert len(rows) > 1


def test_a_row_comes_at_least_once_a_day_and_a_further_one_only_at_a_change(
    rows: dict[str, list[dict[str, str]]],
) -> None:
    for found in rows.values():
        for before, after in pairwise(found):
            hours = (time_of(after) - time_of(before)).total_seconds() / 3600
            assert 0 < hours <= 24
            if hours < 24:
                change = before["verdict"] != after["verdict"] or before["missing"] != after["missing"]
                daily = (time_of(after) - time_of(found[0])).total_seconds() % 86_400 == 0
                assert change or daily


def test_what_is_missing_is_named_and_a_date_stands_beside_it(rows: dict[str, list[dict[str, str]]]) -> None:
    for row in rows["floor"]:
        assert row["verdict"] in ("not_ready", "cannot_say")
        assert "positions" in row["missing"].split(";")  # one of three
        assert "calibration" in row["missing"].split(";")  # no check is on record
        assert row["earliest"] >= row["made_at"][:10]


def time_of(row: dict[str, str]) -> datetime:
    return datetime.fromisoformat(row["made_at"])
