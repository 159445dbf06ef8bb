"""Every public function of physics says its unit, its range and its source, and has a row in tests/reference."""

import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import pytest

from monitord import physics

TESTS = Path(__file__).parents[1]
# arithmetic and range checks of our own: no published quantity, so no table to hold them against; the march is the
# inner loop of `mould_run`, which has its rows
HELPERS = {"numeric", "mould_march"}


def public_functions():
    """Public functions of each module, where they are defined."""
    found = []
    for info in pkgutil.iter_modules(physics.__path__):
        module = importlib.import_module(f"monitord.physics.{info.name}")
        for name, value in vars(module).items():
            if inspect.isfunction(value) and value.__module__ == module.__name__ and not name.startswith("_"):
                found.append(pytest.param(info.name, name, value, id=f"{info.name}.{name}"))
    return found


FUNCTIONS = public_functions()


def section(text, title):
    """Text of one section of a docstring, or None."""
    match = re.search(rf"^\s*{title}\n\s*-+\n(.*?)(?=^\s*\w+\n\s*-+\n|\Z)", text, re.MULTILINE | re.DOTALL)
    return match.group(1) if match else None


def test_the_functions_are_found():
    """A guard against a search that finds nothing and so passes."""
    assert len(FUNCTIONS) > 35


@pytest.mark.parametrize(("module", "name", "function"), FUNCTIONS)
def test_docstring_has_unit_range_and_source(module, name, function):
    text = inspect.getdoc(function)
    assert text
    assert re.search(r"\[[^\]]+\]", text), "no unit in square brackets"
    assert re.search(r"\brange\b", text, re.IGNORECASE), "no range"
    assert re.search(r"\bsource\b", text, re.IGNORECASE), "no source"
    if module in HELPERS:
        return
    for title in ("Parameters", "Returns", "Raises", "Source"):
        assert section(text, title), f"no section {title}"
    assert "PhysicsRangeError" in section(text, "Raises")
    assert re.search(r"\[[^\]]+\]", section(text, "Returns")), "no unit of the result"
    parameters = section(text, "Parameters")
    for parameter in inspect.signature(function).parameters:
        assert re.search(rf"\b{parameter}\b", parameters), f"{parameter} is not described"


@pytest.mark.parametrize(("module", "name", "function"), FUNCTIONS)
def test_function_is_held_against_a_reference(module, name, function):
    if module in HELPERS:
        return
    references = "\n".join(path.read_text(encoding="utf-8") for path in TESTS.glob("reference/test_physics_*.py"))
    assert re.search(rf"\b{name}\(|\b{name}\b", references), f"{name} has no row in tests/reference"


def test_every_name_of_the_package_stands_in_the_nomenclature():
    """The page of names and units misses none of the public functions."""
    page = (Path(physics.__file__).parent / "NOMENCLATURE.md").read_text(encoding="utf-8")
    missing = [p.values[1] for p in FUNCTIONS if p.values[0] not in HELPERS and f"`{p.values[1]}`" not in page]
    assert missing == []


def test_every_parameter_stands_in_the_nomenclature():
    """Each parameter name has one meaning and one unit, written once."""
    page = (Path(physics.__file__).parent / "NOMENCLATURE.md").read_text(encoding="utf-8")
    names = {
        parameter
        for p in FUNCTIONS
        if p.values[0] not in HELPERS
        for parameter in inspect.signature(p.values[2]).parameters
    }
    assert sorted(name for name in names if f"`{name}`" not in page) == []


def test_the_nomenclature_names_what_is_there():
    """Each name of its tables stands in the code: a row that outlives its function misleads."""
    room = Path(physics.__path__[0])
    known = set(re.findall(r"\w+", "\n".join(path.read_text(encoding="utf-8") for path in room.rglob("*.py"))))
    rows = re.findall(r"^\| (`[^|]+) \|", (room / "NOMENCLATURE.md").read_text(encoding="utf-8"), re.MULTILINE)
    named = {name for row in rows for name in re.findall(r"`(\w+)`", row)}
    assert len(named) > 40
    assert named - known == set()
