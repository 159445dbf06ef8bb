"""Promises about the code itself that no linter keeps: sizes, the clock, dependencies, the room map."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
SOURCES = sorted(p for top in ("monitord", "simulators") for p in (ROOT / top).rglob("*.py"))
PROGRAM = [p for p in SOURCES if p.is_relative_to(ROOT / "monitord")]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

MODULE_LINES, FUNCTION_LINES, ROOM_BOXES = 400, 80, 17
DISTRIBUTIONS = {
    "yaml": "pyyaml",
    "cbor2": "cbor2",
    "influxdb_client": "influxdb-client",
    "urllib3": "influxdb-client",
    "paho": "paho-mqtt",
    "PIL": "pillow",
    "pydantic_core": "pydantic",
    "pydantic_settings": "pydantic-settings",
    "starlette": "fastapi",
    "tomli_w": "tomli-w",
    "markupsafe": "jinja2",
    "typing_extensions": "pydantic",
    "CoolProp": "coolprop",
    "prometheus_client": "prometheus-client",
    "axe_playwright_python": "axe-playwright-python",
}
"""Where a module is imported by another name than its distribution's, or comes as a part of another."""
NOT_IMPORTED = {"tzdata", "python-multipart"}
"""Used without an import of ours: time zone data, form parsing behind the web framework."""


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def test_no_module_and_no_function_is_longer_than_can_be_read() -> None:
    too_long = []
    for path in SOURCES:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > MODULE_LINES:
            too_long.append(f"{name_of(path)} has {lines} lines")
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                length = (node.end_lineno or node.lineno) - node.lineno + 1
                if length > FUNCTION_LINES:
                    too_long.append(f"{node.name} in {name_of(path)} has {length} lines")
    assert not too_long


def test_no_room_shows_more_boxes_than_can_be_seen_at_a_glance() -> None:
    """Modules and sub-rooms that lie side by side; migrations are a list by nature."""
    rooms = {path.parent for path in SOURCES if "migrations" not in path.parts}
    crowded = {}
    for room in rooms:
        modules = {p.name for p in room.glob("*.py")} - {"__init__.py", "__main__.py"}
        boxes = modules | {p.parent.name for p in room.glob("*/__init__.py")} - {"migrations"}
        if len(boxes) > ROOM_BOXES:
            crowded[name_of(room)] = len(boxes)
    assert not crowded


def test_where_is_what_names_what_is_there() -> None:
    """Each file and folder of the table in DEVELOPERS.md that leads a newcomer to the place."""
    table = DEVELOPERS.split("## Where is what")[1].split("##")[0]
    named = [name for name in re.findall(r"`([\w/.]+)`", table) if "/" in name]
    assert len(named) >= 9
    assert [name for name in named if not (ROOT / "monitord" / name).exists()] == []


def reads_clock(node: ast.AST) -> bool:
    """Whether a call asks the wall clock: datetime.now/today/utcnow, date.today, time.time/time_ns/localtime/gmtime."""
    if not isinstance(node, ast.Attribute) or not isinstance(node.value, ast.Name):
        return False
    owner, asked = node.value.id, node.attr
    return (owner in ("datetime", "date") and asked in ("now", "today", "utcnow")) or (
        owner == "time" and asked in ("time", "time_ns", "localtime")
    )


def test_only_the_clock_module_reads_the_wall_clock() -> None:
    readers = {name_of(p) for p in PROGRAM if any(reads_clock(node) for node in ast.walk(tree_of(p)))}
    assert readers == {"monitord/clock.py"}


def third_party(paths: list[Path]) -> Iterator[str]:
    own = {"monitord", "simulators", "conftest"} | {p.stem for p in (ROOT / "tests").rglob("*.py")}
    for path in paths:
        for node in ast.walk(tree_of(path)):
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module]
                if isinstance(node, ast.ImportFrom) and node.module and not node.level
                else []
            )
            for name in names:
                top = name.split(".")[0]
                if top not in sys.stdlib_module_names and top not in own:
                    yield DISTRIBUTIONS.get(top, top).lower()


def listed(requirements: list[str]) -> set[str]:
    return {re.split(r"[<>=!~\[; ]", line)[0].lower() for line in requirements}


RUNNING = listed(PYPROJECT["project"]["dependencies"])
TESTING = listed(PYPROJECT["project"]["optional-dependencies"]["test"])


def test_what_the_program_imports_and_what_it_declares_are_the_same() -> None:
    assert set(third_party(SOURCES)) == RUNNING - NOT_IMPORTED


def test_what_the_tests_import_is_declared() -> None:
    assert set(third_party(sorted((ROOT / "tests").rglob("*.py")))) <= RUNNING | TESTING


def test_every_dependency_has_its_reason_in_developers_md() -> None:
    tables = DEVELOPERS.split("## Dependencies", 1)[1]
    reasons = {name.lower() for name in re.findall(r"^\| `([A-Za-z0-9-]+)` \| \S.+ \|$", tables, re.MULTILINE)}
    assert reasons == RUNNING | TESTING


def test_every_room_stands_in_the_map() -> None:
    """The map in DEVELOPERS.md has a line for each package and each module at the top, and for nothing else."""
    mapped = set(re.findall(r"^\| `monitord/([a-z_]+(?:\.py)?)`", DEVELOPERS, re.MULTILINE))
    rooms = {p.relative_to(ROOT / "monitord").parts[0] for p in PROGRAM} - {"__init__.py", "__main__.py"}
    assert mapped == rooms


def test_no_test_sleeps() -> None:
    """What a test waits for is a state; the one pause is between two looks at it."""
    paths = sorted(set((ROOT / "tests").rglob("*.py")) - {Path(__file__)})
    lines = [(path, line) for path in paths for line in path.read_text(encoding="utf-8").splitlines()]
    found = [(path.name, line.strip()) for path, line in lines if re.search(r"\bsleep\(", line)]
    assert found == [("brokers.py", "time.sleep(0.02)")]
