"""The numbers of an evaluation, its table, and the regression gate's limits."""

from __future__ import annotations

import json
import math
from collections import Counter
from pathlib import Path

import pytest

from simulators.evaluate import chosen, main
from simulators.evaluation.gate import Limit, broken, load_gate
from simulators.evaluation.goals import GoalScore
from simulators.evaluation.matching import DAY_S, HOUR_S, EventScore
from simulators.evaluation.numbers import numbers
from simulators.evaluation.scoring import Score, total
from simulators.evaluation.sleeves import SleeveScore
from simulators.evaluation.table import lines, write_json
from simulators.jobs.families import FAMILIES


def score() -> Score:
    """Four stalls, three of them found; two false alarms in 40 weeks; one claim of five too early."""
    stall = EventScore(
        due=Counter(air=3, machine_off=1), found=Counter(air=2, machine_off=1),
        delays_s=[24 * HOUR_S, 48 * HOUR_S, 120 * HOUR_S], felt_delays_s=[0.0, HOUR_S, HOUR_S],
        false=2, false_open_s=2.8 * DAY_S, exposure_s=280 * DAY_S,
    )  # fmt: skip
    sleeves = SleeveScore()
    sleeves.errors_pct[24] += [0.5, 1.0, 4.0]
    sleeves.due[24] = 4
    return Score(jobs=1, events={"stall": stall}, goals=GoalScore(claims=5, premature=1), sleeves=sleeves)


def test_numbers_of_events():
    found = numbers(score())
    assert found["stall.found_pct"] == 75.0
    assert found["stall.found_pct.air"] == pytest.approx(200 / 3)
    assert found["stall.delay_h"] == 48.0
    assert found["stall.felt_delay_h"] == 1.0
    # 2 in 40 weeks; 2.8 of 280 days
    assert found["stall.false_per_100_weeks"] == pytest.approx(5.0)
    assert found["stall.falsely_open_pct"] == pytest.approx(1.0)


def test_numbers_of_claims_and_predictions():
    found = numbers(score())
    assert found["at goal.premature_pct"] == 20.0
    assert found["sleeve.error_24h_pct_rh"] == 1.0
    assert found["sleeve.given_24h_pct"] == 75.0


def test_what_was_never_counted_is_not_a_number():
    assert math.isnan(numbers(score())["forecast.covered_pct"])
    assert math.isnan(numbers(Score())["at goal.premature_pct"])


def test_scores_add_up():
    found = numbers(total([score(), score()]))
    assert (found["jobs"], found["stall.due"], found["at goal.claims"]) == (2, 8, 10)
    assert found["stall.false_per_100_weeks"] == pytest.approx(5.0)


def test_the_table_shows_ours_beside_the_baseline_beside_the_target():
    text = list(lines({"ours": score(), "baseline": Score(events={"stall": EventScore()})}, "All jobs"))
    stall = next(line for line in text if line.startswith("stall: found"))
    assert stall.split() == ["stall:", "found", "75", "%", "–", ">=", "90", "%", "4"]


def test_the_json_file_holds_the_same_numbers_and_null_where_there_is_none(tmp_path: Path):
    write_json(tmp_path / "n.json", {"ours": score()}, {"leak": {"ours": score()}})
    found = json.loads((tmp_path / "n.json").read_text())
    assert found["all"]["ours"]["stall.found_pct"] == 75.0
    assert found["families"]["leak"]["ours"]["forecast.covered_pct"] is None


def test_limits_that_are_not_held_are_named_and_so_are_those_with_nothing_to_count():
    limits = [
        Limit("a", 80.0, at_least=75.0),
        Limit("b", 1.0, at_most=2.0),
        Limit("c", 1.0, at_most=2.0),
        Limit("d", 5.0, 4.0, 6.0),
    ]
    found = broken(limits, {"a": 74.0, "b": 2.0, "c": math.nan, "d": 5.0})
    assert [words.split(":")[0] for words in found] == ["a", "c"]


@pytest.mark.parametrize("entry", ['number = "a"\nmeasured = 1.0', 'number = "a"\nmeasured = 1.0\nat_least = 2.0'])
def test_a_limit_that_cannot_fail_or_is_broken_from_the_start_is_refused(tmp_path: Path, entry: str):
    (tmp_path / "g.toml").write_text(f'jobs = [["leak", 1000]]\n[[limit]]\n{entry}\n')
    with pytest.raises(ValueError, match="a "):
        load_gate(tmp_path / "g.toml")


def test_a_gate_without_limits_is_refused(tmp_path: Path):
    (tmp_path / "g.toml").write_text('jobs = [["leak", 1000]]\n')
    with pytest.raises(ValueError, match="no limit"):
        load_gate(tmp_path / "g.toml")


def test_few_jobs_already_come_from_all_families():
    jobs = chosen(",".join(FAMILIES), "8", held_out=True, maximum=len(FAMILIES))
    assert {family for family, _ in jobs} == set(FAMILIES)
    assert {seed for _, seed in jobs} == {1000}


def test_a_whole_evaluation_has_120_jobs_and_more_of_ten_families_and_more():
    jobs = chosen(",".join(FAMILIES), "8", held_out=True, maximum=None)
    assert len(jobs) >= 120
    assert len({family for family, _ in jobs}) >= 10


def test_tuning_and_held_out_seeds_never_meet():
    tuning = chosen("leak", "0-999", held_out=False, maximum=None)
    assert not set(tuning) & set(chosen("leak", "0-999", held_out=True, maximum=None))


@pytest.mark.parametrize("held_out", ["--held-out", "--gate"])
def test_misses_of_held_out_jobs_are_not_listed(held_out: str, capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit):
        main([held_out, "--details"])
    assert "for measuring" in capsys.readouterr().err


def test_a_seed_for_tuning_is_not_a_held_out_one():
    with pytest.raises(SystemExit, match="--held-out"):
        chosen("leak", "999-1000", held_out=False, maximum=None)


def test_seeds_can_be_a_range():
    assert chosen("leak,sleeves", "3-4", held_out=False, maximum=None) == [
        ("leak", 3), ("sleeves", 3), ("leak", 4), ("sleeves", 4),
    ]  # fmt: skip


def test_laws_as_assumed_and_wider_ones_are_jobs_of_their_own():
    assert chosen("leak", "3", held_out=False, maximum=None, laws="both") == [
        ("leak", 0), ("leak-wider", 0), ("leak", 1), ("leak-wider", 1), ("leak", 2), ("leak-wider", 2),
    ]  # fmt: skip
    assert chosen("leak", "1", held_out=True, maximum=None, laws="wider") == [("leak-wider", 1000)]


def test_an_unknown_family_is_named():
    with pytest.raises(SystemExit, match="flood"):
        chosen("leak,flood", "1", held_out=False, maximum=None)
