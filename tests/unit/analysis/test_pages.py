"""The pages that explain the analysis name what there is: every state, every alert, and no option that is not there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

import monitord.analysis
from monitord.model.assessments import State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.text.states import NAMES as STATE_NAMES
from monitord.text.terms import FAULTS

FOLDER = Path(monitord.analysis.__file__).parent
ROOT = FOLDER.parents[1]
STATES, METHOD = ((FOLDER / name).read_text(encoding="utf-8") for name in ("STATES.md", "METHOD.md"))
RULES = tomllib.loads((FOLDER.parent / "alerts" / "lifecycle" / "default_rules.toml").read_text(encoding="utf-8"))[
    "rules"
]
SELF_WATCH = {"assessment_behind", "disk_nearly_full", "undeliverable", "mirror_stopped"}
"""About the program itself; explained in the guide to alerts."""


@pytest.mark.parametrize("state", list(State))
def test_every_state_is_explained(state: State) -> None:
    rows = [line.split("|")[1] for line in STATES.splitlines() if line.startswith("| ")]
    assert any(STATE_NAMES[state] in row for row in rows)


@pytest.mark.parametrize("kind", sorted(set(RULES) - SELF_WATCH))
def test_every_kind_of_alert_is_explained(kind: str) -> None:
    table = STATES[STATES.index("| alert |") :]
    assert any(
        kind.replace("_", " ") in line.split("|")[1].replace("_", " ")
        for line in table.splitlines()
        if line.startswith("| ")
    )


def test_the_options_named_in_the_method_are_there_and_have_the_defaults_it_says() -> None:
    rows = re.findall(r"^\| ((?:`\w+`(?:, )?)+) \| ([^|]+) \|", METHOD, flags=re.MULTILINE)
    assert len(rows) >= 8
    for names, defaults in rows:
        options = re.findall(r"`(\w+)`", names)
        said = [float(number) for number in re.findall(r"\d+(?:\.\d+)?", defaults)]
        assert said == [getattr(AnalysisOptions(), option) for option in options], options


@pytest.mark.parametrize("page", [STATES, METHOD])
def test_files_that_a_page_names_are_there(page: str) -> None:
    for name in re.findall(r"`([\w/]+\.(?:py|toml|md))`", page):
        assert (ROOT / name).exists() or (FOLDER.parent / name).exists(), name


def test_the_method_names_its_modules_as_they_are() -> None:
    for listed in re.findall(r"\*\* \((`[^)]+)\)", METHOD):
        for module in re.findall(r"`(\w+\*?)`", listed):
            assert list(FOLDER.rglob(f"{module}.py")), module


def test_faults_in_plain_words_are_those_that_are_checked() -> None:
    row = next(line for line in STATES.splitlines() if line.startswith("| probe fault"))
    for word in FAULTS.values():
        assert word in row
