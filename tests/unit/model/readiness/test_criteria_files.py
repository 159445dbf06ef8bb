"""Criteria as data: the built-in files, a firm's own, and how each mistake is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitord.cli import main
from monitord.errors import ConfigurationError
from monitord.model.readiness.criteria import Criteria, Method, in_order
from monitord.model.readiness.criteria_files import built_in, criteria_book, load_criteria, parse_criteria

ROOT = Path(__file__).parents[4]
PACKAGED = ROOT / "monitord" / "model" / "readiness" / "criteria"
BAD = Path(__file__).parents[1] / "criteriafiles" / "bad"


def text_of(criteria_id: str) -> str:
    return (PACKAGED / f"{criteria_id}.toml").read_text(encoding="utf-8")


def test_the_files_in_config_are_those_of_the_package() -> None:
    copies = {path.name: path.read_bytes() for path in (ROOT / "config" / "criteria").glob("*.toml")}
    assert copies == {path.name: path.read_bytes() for path in PACKAGED.glob("*.toml")}
    assert set(built_in()) == {name.removesuffix(".toml") for name in copies}


@pytest.mark.parametrize("criteria", built_in().values(), ids=lambda c: c.id)
def test_each_rule_names_a_source_and_a_hearsay_value_asks_to_be_confirmed(criteria: Criteria) -> None:
    for name, rule in in_order(criteria):
        assert rule.source, name
        if "from memory" in rule.source:
            assert rule.confirm, name


@pytest.mark.parametrize(
    ("criteria_id", "clock_h", "limit_pct", "method"),
    [
        # ASTM F2170: 24 h since 2018, 72 h before; BS 8203: 72 h and 75 % RH (all from published summaries)
        ("in-situ-rh-24h", 24.0, 75.0, Method.SLEEVE),
        ("in-situ-rh-72h", 72.0, 75.0, Method.SLEEVE),
        ("surface-box-75", 72.0, 75.0, Method.SURFACE_BOX),
    ],
)
def test_clocks_and_default_limits_are_those_of_the_methods(
    criteria_id: str, clock_h: float, limit_pct: float, method: Method
) -> None:
    criteria = built_in()[criteria_id]
    assert criteria.equilibration is not None
    assert criteria.equilibration.clock_h == clock_h
    assert criteria.equilibration.confirm
    assert (criteria.limit.default_pct, criteria.method) == (limit_pct, method)


@pytest.mark.parametrize("criteria_id", ["in-situ-rh-24h", "in-situ-rh-72h"])
def test_sleeve_rules_are_those_of_f2170(criteria_id: str) -> None:
    criteria = built_in()[criteria_id]
    assert criteria.depth is not None
    assert (criteria.depth.wanted(1), criteria.depth.wanted(2)) == (0.40, 0.20)
    assert criteria.service is not None
    assert criteria.service.otherwise is not None
    assert criteria.service.hours == 48.0
    band = criteria.service.otherwise
    assert (band.temperature_min_c, band.temperature_max_c) == (24 - 5.5, 24 + 5.5)
    assert (band.humidity_min_pct, band.humidity_max_pct) == (50 - 10, 50 + 10)
    assert criteria.calibration is not None
    assert criteria.calibration.max_age_before_use_d == 30.0


@pytest.mark.parametrize(
    ("area_m2", "count"),
    # F2170, 10.1: 3 for the first 100 m² and at least 1 for each further 100 m²
    [(1, 3), (38, 3), (100, 3), (100.01, 4), (200, 4), (200.01, 5), (1000, 12), (1000.5, 13)],
)
def test_the_number_of_positions_changes_where_the_area_does(area_m2: float, count: int) -> None:
    rule = built_in()["in-situ-rh-24h"].positions
    assert rule is not None
    assert rule.wanted(area_m2) == count


def test_a_bad_file_gets_every_mistake_at_once() -> None:
    with pytest.raises(ConfigurationError) as caught:
        load_criteria(BAD / "many.toml")
    lines = caught.value.message.splitlines()
    expected = ["acceptance", "defualt_pct", "method", "one_side_share", "depth.source", "clock_h"]
    for key in expected:
        assert sum(f"`{key}" in line or f".{key}`" in line for line in lines) == 1, key
    assert len(lines) == len(expected)
    assert all(line.startswith(str(BAD / "many.toml")) for line in lines)
    assert "Did you mean `default_pct`?" in caught.value.message


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('method = "sleeve"', 'method = "goal"'), "a depth rule belongs to method sleeve"),
        (("[equilibration]", "[held2]"), "unknown key `held2`"),
        (("format = 1", "format = 2"), "`format`"),
    ],
)
def test_rules_that_do_not_fit_the_method_are_refused(change: tuple[str, str], message: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_criteria(text_of("in-situ-rh-24h").replace(*change), "own.toml")
    assert message in caught.value.message


def test_a_firms_own_file_is_added_and_one_with_a_built_in_id_replaces_it(tmp_path: Path) -> None:
    text = text_of("in-situ-rh-24h").replace("guard_factor = 2.0", "guard_factor = 1.64")
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    (tmp_path / "b.toml").write_text(text.replace('id = "in-situ-rh-24h"', 'id = "firm-b"'), encoding="utf-8")
    book = criteria_book(tmp_path)
    assert set(book) == {*built_in(), "firm-b"}
    assert book["in-situ-rh-24h"].limit.guard_factor == book["firm-b"].limit.guard_factor == 1.64
    assert criteria_book(None) == built_in()


def test_two_files_with_one_id_and_a_missing_folder_are_refused(tmp_path: Path) -> None:
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text(text_of("dry-to-goal"), encoding="utf-8")
    with pytest.raises(ConfigurationError, match="that of another file"):
        criteria_book(tmp_path)
    with pytest.raises(ConfigurationError, match="not a folder"):
        criteria_book(tmp_path / "none")


def test_the_commands_list_show_and_check(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["criteria", "list"]) == 0
    assert "in-situ-rh-72h" in capsys.readouterr().out
    assert main(["criteria", "show", "in-situ-rh-24h"]) == 0
    shown = capsys.readouterr().out
    assert "one_side_share 0.4" in shown
    assert "Confirm in the edition you work to" in shown
    assert main(["criteria", "check", str(PACKAGED / "dry-to-goal.toml")]) == 0
    assert "no mistake" in capsys.readouterr().out
    assert main(["criteria", "check", str(BAD / "many.toml")]) == 1
    assert capsys.readouterr().err.count("\n") == 6
    assert main(["criteria", "show", "nothing"]) == 1
    assert "Use one of dry-to-goal" in capsys.readouterr().err
