"""No number of the analysis without a source: limits and tuning values stand in a room's `parameters.py`, documented.

What may stand in code: numbers that nobody could have chosen otherwise (0, 1, 2, 24 hours, ...), and the coefficients
of an equation in a function whose docstring has a section `Source`. A number that is compared with, or is the default
of an argument, is a limit and belongs to the parameters all the same.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ANALYSIS = ROOT / "monitord" / "analysis"
OPTIONS = ROOT / "monitord" / "model" / "config" / "analysis_options.py"
PARAMETERS = [*sorted(ANALYSIS.rglob("parameters.py")), OPTIONS]

TRIVIAL = {0, 1, 2, 24, 100, 1000, 3600, 1e-9}
"""Nothing, one, both; hours of a day, per cent, thousandths, seconds of an hour; what keeps a division from zero."""
COUNTING_CALLS = {"range", "sqrt", "round", "lru_cache", "reshape"}
"""Calls whose number is a count, a shape or the root of a variance, and no limit."""
ALLOWED = {
    "series/times.py": "hours of a week and seconds of a day are units",
}
"""Modules that may hold numbers of their own, with the reason."""

SOURCES = re.compile(
    r"our choice|common practice|from memory|simulated|standard'?s? |definition|\b(?:1[89]|20)\d\d\b"
    r"|\bISO \d|ASHRAE|JCGM|WMO|Handbook|BS \d|ASTM",
    re.IGNORECASE,
)
UNIT = re.compile(r"\[[^\]]+\]")


def name_of(path: Path) -> str:
    return str(path.relative_to(ANALYSIS))


def is_number(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and type(node.value) in (int, float)


def has_source(node: ast.AST) -> bool:
    """Whether a function's docstring has a section with the source of its equation."""
    if not isinstance(node, ast.FunctionDef):
        return False
    return re.search(r"^\s*Source\n\s*-{3,}\n", ast.get_docstring(node, clean=False) or "", re.MULTILINE) is not None


def called(node: ast.AST) -> str:
    """Name of what a call calls; empty for anything else."""
    if not isinstance(node, ast.Call):
        return ""
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def passed_over(parent: ast.AST, node: ast.Constant) -> bool:
    """Whether a number means no choice where it stands: an index, a count, an exponent, half of something."""
    if isinstance(parent, ast.Subscript):
        return True
    if called(parent) in COUNTING_CALLS or (isinstance(parent, ast.keyword) and parent.arg == "maxsize"):
        return True
    if isinstance(parent, ast.BinOp):
        return (isinstance(parent.op, ast.Mult) and node.value == 0.5) or (
            isinstance(parent.op, ast.Pow) and parent.right is node
        )
    if isinstance(parent, ast.Compare):  # fewer than three points make no line
        return node.value == 3 and any(called(part) == "len" for part in (parent.left, *parent.comparators))
    return False


def chosen(node: ast.AST, in_equation: bool = False) -> Iterator[ast.Constant]:
    """Numbers below a node that somebody chose, and that no section `Source` accounts for."""
    if isinstance(node, ast.JoinedStr):  # what is shown
        return
    in_equation = in_equation or has_source(node)
    limits = isinstance(node, ast.Compare | ast.arguments)
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.UnaryOp) and is_number(child.operand):
            child = child.operand  # noqa: PLW2901  a sign
        if isinstance(child, ast.Constant) and is_number(child):
            if abs(child.value) not in TRIVIAL and (limits or not in_equation) and not passed_over(node, child):
                yield child
        else:
            yield from chosen(child, in_equation)


def unsourced(text: str) -> list[tuple[int, float]]:
    """Line and value of each number of a module that should stand in the parameters."""
    return [(node.lineno, node.value) for node in chosen(ast.parse(text))]  # type: ignore[misc]


HELD = [path for path in sorted(ANALYSIS.rglob("*.py")) if path not in PARAMETERS and name_of(path) not in ALLOWED]


@pytest.mark.parametrize("path", HELD, ids=name_of)
def test_no_number_stands_outside_the_parameters(path: Path) -> None:
    found = [f"{name_of(path)}:{line}: {value:g}" for line, value in unsourced(path.read_text(encoding="utf-8"))]
    assert not found, "give each a name, unit and source in the room's parameters.py"


def values(path: Path) -> list[tuple[str, str]]:
    """Name and docstring of each value of the classes of a parameters module."""
    found = []
    for item in ast.parse(path.read_text(encoding="utf-8")).body:
        body = item.body if isinstance(item, ast.ClassDef) else []
        for node, after in zip(body, [*body[1:], ast.Pass()], strict=False):
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                said = (
                    after.value.value if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) else ""
                )
                found.append((node.target.id, " ".join(str(said).split())))
    return found


@pytest.mark.parametrize("path", PARAMETERS, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_value_has_a_unit_and_a_source(path: Path) -> None:
    known = values(path)
    assert known
    assert [name for name, said in known if not (UNIT.search(said) and SOURCES.search(said))] == []


def test_no_value_stands_twice() -> None:
    """The same name in two sets, or in a set and the settings, would be one limit with two values."""
    names = [name for path in PARAMETERS for name, _ in values(path)]
    assert sorted({name for name in names if names.count(name) > 1}) == []


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("LIMIT = 7.5", [7.5]),
        ('LIMIT = 7.5\n"""Common practice."""', [7.5]),
        ("def f(x, share=0.3):\n    return x > 5", [0.3, 5]),
        ("def f(x):\n    return x[-72:].mean() + 0.25 * x[3]", [72, 0.25]),
        ("def f(x):\n    return 0.5 * (x[0] + x[4]) ** 3 if len(x) > 3 else round(x[0], 5)", []),
        (
            'def f(x, y=4.0):\n    """One.\n\n    Source\n    ------\n    A book.\n    """\n    return 6.1 * x > 7',
            [4.0, 7],
        ),
        ("def f(x):\n    return f'{x / 60:.1f}'", []),
        ("A = {True: 5.0, False: 9.0}", [5.0, 9.0]),
    ],
)
def test_the_search_finds_numbers_and_passes_over_what_is_none(code: str, found: list[float]) -> None:
    assert [value for _, value in unsourced(code)] == found
