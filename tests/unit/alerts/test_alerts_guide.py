"""The guide keeps its word: every test that it names is there."""

from __future__ import annotations

import re
from pathlib import Path

import monitord.alerts
from monitord.alerts.lifecycle.rules import Rule

GUIDE = (Path(monitord.alerts.__file__).parent / "GUIDE.md").read_text(encoding="utf-8")
TESTS = Path(__file__).parents[2]


def test_every_hole_names_a_test_that_exists() -> None:
    table = GUIDE.split("## Holes that alert engines have")[1]
    rows = [line for line in table.splitlines() if line.startswith("| ") and "---" not in line][1:]
    assert len(rows) >= 60
    source = "\n".join(path.read_text(encoding="utf-8") for path in TESTS.rglob("test_*.py"))
    known = set(re.findall(r"^def (test_\w+)", source, re.MULTILINE))
    known |= {path.stem for path in (TESTS / "scenarios" / "alerts").glob("*.toml")}
    for row in rows:
        named = re.findall(r"`(\w+)`", row.split("|")[2])
        assert named, row
        assert set(named) <= known, f"{set(named) - known} in {row}"


def test_every_key_of_a_rule_is_explained() -> None:
    explained = set(re.findall(r"`(\w+)`", GUIDE))
    assert set(Rule.model_fields) - {"kind", "unit", "about"} <= explained
