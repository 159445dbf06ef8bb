"""Licence, version, changelog and the checks before a commit say the same everywhere."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import monitord

ROOT = Path(__file__).parents[3]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_version_stands_in_one_place_and_heads_the_changelog() -> None:
    assert "version" not in PROJECT["project"]
    assert PROJECT["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "monitord.__version__"}
    changelog = (ROOT / "deploy" / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(r"^## (\S+) \(\d{4}-\d{2}-\d{2}\)$", changelog, re.MULTILINE)
    assert newest is not None
    assert newest[1] == monitord.__version__


def test_the_licence_that_is_named_is_the_one_that_is_there() -> None:
    # SPDX identifier (spdx.org/licenses); the text's own head
    assert PROJECT["project"]["license"] == "Apache-2.0"
    (named,) = PROJECT["project"]["license-files"]
    head = " ".join((ROOT / named).read_text(encoding="utf-8")[:300].split())
    assert head.startswith("Apache License Version 2.0, January 2004")


def test_the_checks_before_a_commit_are_those_of_the_full_run() -> None:
    source = (ROOT / "deploy" / "bootstrap.py").read_text(encoding="utf-8")
    function = next(
        node for node in ast.parse(source).body if isinstance(node, ast.FunctionDef) and node.name == "check_and_test"
    )
    (checks,) = (node.value for node in function.body if isinstance(node, ast.AnnAssign))
    assert isinstance(checks, ast.List)
    full = {}
    for name, command in (check.elts for check in checks.elts if isinstance(check, ast.Tuple)):
        words = [ast.unparse(word).strip("'") for word in command.elts]  # type: ignore[attr-defined]
        full[ast.literal_eval(name)] = " ".join(words).replace("tools / '", ".venv/bin/")
    asked = "run(PYTHON, '-m', 'pytest', '-n', 'auto', '--dist', 'loadfile', '--no-loadscope-reorder', *arguments)"
    assert asked in ast.unparse(function)
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    before = dict(
        zip(re.findall(r"^ +name: (.+)$", hooks, re.M), re.findall(r"^ +entry: (.+)$", hooks, re.M), strict=True)
    )
    assert before == full


def test_what_an_index_shows_begins_as_the_readme_does_and_links_nothing() -> None:
    shown = (ROOT / PROJECT["project"]["readme"]).read_text(encoding="utf-8")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert shown.split("\n\n")[:2] == readme.split("\n\n")[:2]
    assert not re.findall(r"\]\(|<img|<a ", shown)


def test_the_readme_has_no_link_that_an_index_page_could_not_follow_and_names_files_that_are_there() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert not re.findall(r"(?<!!)\[[^\]]+\]\((?!https?://)[^)]*\)", readme.replace("\n", " "))
    (picture,) = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", readme.replace("\n", " "))
    assert (ROOT / picture).read_bytes().startswith(b"\x89PNG")
    named = re.findall(r"`((?:config|deploy|monitord|tests)/[\w./-]+)`", readme)
    assert len(named) > 5
    assert [path for path in named if not (ROOT / path).exists()] == []
