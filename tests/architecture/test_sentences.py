"""The analysis finds facts: no sentence stands in it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ANALYSIS = Path(__file__).parents[2] / "monitord" / "analysis"

UNITS = frozenset({"% RH", "% MC", "% RH/day"})
"""Signs of units, which a value carries wherever it goes."""

STORED = {
    ("probes/side_by_side.py", "side by side"): "how a calibration record that is proposed names its method",
    ("probes/salt_check.py", "saturated salt, "): "the same of a check over a salt",
    ("surfaces/mould_risk.py", "mould index"): "the sign of the index's scale in a finding",
}
"""What is stored with a value and is no sentence, each with its reason."""


def strings_of(tree: ast.AST) -> Iterator[ast.Constant]:
    """Every string that is no docstring and stands in no exception's message."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(id(node.value))
        elif isinstance(node, ast.Raise):
            skipped |= {id(part) for part in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skipped:
            yield node


def sentences_in(source: str, name: str) -> list[str]:
    return [
        f"{name}:{node.lineno}: {node.value!r}"
        for node in strings_of(ast.parse(source))
        if " " in node.value and node.value not in UNITS and (name, node.value) not in STORED
    ]


@pytest.mark.parametrize("path", sorted(ANALYSIS.rglob("*.py")), ids=lambda path: path.relative_to(ANALYSIS).as_posix())
def test_the_analysis_makes_no_sentence(path: Path) -> None:
    assert sentences_in(path.read_text(encoding="utf-8"), path.relative_to(ANALYSIS).as_posix()) == []


def test_every_exception_of_the_list_is_there() -> None:
    for name, text in STORED:
        assert text in [node.value for node in strings_of(ast.parse((ANALYSIS / name).read_text(encoding="utf-8")))]


def test_a_sentence_is_found_and_a_docstring_is_none() -> None:
    source = '''"""A module."""\ndef f(x):\n    """It says."""\n    return f"falls by {x} a day"\n'''
    assert sentences_in(source, "m.py") == ["m.py:4: 'falls by '", "m.py:4: ' a day'"]
    assert sentences_in('raise ValueError("no such level")', "m.py") == []
