"""Every definition of the program is reached by the program itself, not by its tests only.

A function, class, method or module constant of `monitord` must be named in `monitord` or `simulators` outside its own
definition: in code, in a template's expressions or in a data file. What only such an unreached definition names counts
as unreached too. Exempt by rule is what a framework calls by its own conventions: dunder methods, methods that a base
class outside the program declares, and what pydantic's decorators register. Names are matched by their text, so a dead
method with a common name may be missed; what is reported is dead.
"""

from __future__ import annotations

import ast
import importlib
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
IDENTIFIER = re.compile(r"[A-Za-z_]\w*")
DOTTED = re.compile(r"[A-Za-z_][\w.:-]*")
TEMPLATE_CODE = re.compile(r"\{\{.*?\}\}|\{%.*?%\}", re.DOTALL)
REGISTERED_BY = {"field_validator", "model_validator", "field_serializer", "model_serializer", "computed_field"}
"""Decorators of pydantic that call what they decorate."""

_PUBLISHED = "an intermediate result that papers print: reference tests check the equations of `mould_run` by it"
_INVENTORY = "the catalogue's own inventory: the check that every language is complete reads it"
_SHARED = "client links: kept by the store, their pages come with the sharing of jobs"

ALLOWED: dict[str, str] = {
    "monitord.store.db.migrations.": "Alembic runs migrations and reads their fields by the names that it prescribes",
    "monitord.store.db.schema.downgrade": "migrations are tested both ways; an operator goes back by a backup",
    "monitord.store.db.scaled._Scaled.get_col_spec": "SQLAlchemy asks a type of our own for its name in SQL",
    "monitord.physics.mould.index.mould_growth_rate": _PUBLISHED,
    "monitord.physics.mould.index.mould_step": _PUBLISHED,
    "monitord.physics.mould.index.days_to_index": _PUBLISHED,
    "monitord.physics.mould.index.weeks_to_first_growth": _PUBLISHED,
    "monitord.text.messages.": _INVENTORY,
    "monitord.text.catalogue.Language.translated": _INVENTORY,
    "monitord.text.catalogue.languages": _INVENTORY,
    "monitord.text.states.TILE_LENGTH": "the length that a tile holds: the check of every sentence reads it",
    "monitord.text.states.state_name": "the name of a state in each language: pages may follow messages there",
    "monitord.model.access.ClientLink": _SHARED,
    "monitord.store.access.tokens.": _SHARED,
    "monitord.ingest.decoding.expressions._Functions.": "topic rules call them; JMESPath finds them by their prefix",
}
"""Dotted paths that need no caller in the program, each with its reason; one that ends with a dot is a whole module."""


@dataclass(frozen=True)
class Definition:
    """One function, class, method or module constant, with the names that its own code uses."""

    path: str
    name: str
    uses: Counter[str]
    owner: tuple[str, str] | None
    """Module and class, for a method."""
    registered: bool


def names_in(tree: ast.AST) -> Counter[str]:
    """How often each name is read in a piece of code; a string that is a whole (dotted) name counts as well."""
    found: Counter[str] = Counter()
    exported = {id(name) for node in ast.walk(tree) if _exports(node) for name in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in exported:
            continue
        if isinstance(node, ast.Name) and not isinstance(node.ctx, ast.Store):
            found[node.id] += 1
        elif isinstance(node, ast.Attribute):
            found[node.attr] += 1
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and DOTTED.fullmatch(node.value):
            found.update(IDENTIFIER.findall(node.value))
    return found


def _exports(node: ast.AST) -> bool:
    """Whether a statement is `__all__ = [...]`: to list a name is not to use it."""
    return isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets)


def definitions(module: str, tree: ast.Module) -> Iterator[Definition]:
    """Those of a module's top level and of its classes."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield Definition(f"{module}.{node.name}", node.name, names_in(node), None, _registered(node))
        for inner in node.body if isinstance(node, ast.ClassDef) else ():
            if isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef):
                path, owner = f"{module}.{node.name}.{inner.name}", (module, node.name)
                yield Definition(path, inner.name, names_in(inner), owner, _registered(inner))
        for name in _constants(node):
            yield Definition(f"{module}.{name}", name, names_in(node), None, False)


def _constants(node: ast.stmt) -> list[str]:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return [leaf.id for target in targets for leaf in ast.walk(target) if isinstance(leaf, ast.Name)]


def _registered(node: ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) -> bool:
    calls = (d.func if isinstance(d, ast.Call) else d for d in node.decorator_list)
    return any(isinstance(call, ast.Name) and call.id in REGISTERED_BY for call in calls)


def declared_elsewhere(item: Definition) -> bool:
    """Whether a base class outside the program has this method, so that its framework calls it."""
    if item.owner is None:
        return False
    module, name = item.owner
    bases = getattr(importlib.import_module(module), name).__mro__[1:]
    return any(
        item.name in vars(base) and base.__module__.split(".")[0] not in {"monitord", "simulators"} for base in bases
    )


def unreached(found: Iterable[Definition], total: Counter[str]) -> set[str]:
    """Dotted paths of definitions that nothing names but themselves and other unreached ones."""
    total, waiting, dead = Counter(total), list(found), set[str]()
    while True:
        newly = [d for d in waiting if total[d.name] - d.uses[d.name] <= 0]
        if not newly:
            return dead
        for item in newly:
            inside_dead = any(item.path.startswith(f"{path}.") for path in dead)
            dead.add(item.path)
            if not inside_dead:
                total.subtract(item.uses)
        waiting = [d for d in waiting if d.path not in dead]


@cache
def all_definitions() -> list[Definition]:
    """Every definition of `monitord`."""
    found = []
    for path in sorted((ROOT / "monitord").rglob("*.py")):
        module = ".".join(part for part in path.relative_to(ROOT).with_suffix("").parts if part != "__init__")
        found.extend(definitions(module, ast.parse(path.read_text(encoding="utf-8"))))
    return found


@cache
def program() -> tuple[list[Definition], Counter[str]]:
    """Every definition of `monitord` that needs a caller, and how often each name is used."""
    total: Counter[str] = Counter()
    for path in sorted(p for top in ("monitord", "simulators") for p in (ROOT / top).rglob("*.py")):
        total += names_in(ast.parse(path.read_text(encoding="utf-8")))
    for path in (p for ending in ("html", "j2") for p in (ROOT / "monitord").rglob(f"*.{ending}")):
        for code in TEMPLATE_CODE.findall(path.read_text(encoding="utf-8")):
            total.update(IDENTIFIER.findall(code))
    for path in [*(ROOT / "monitord").rglob("*.toml"), ROOT / "pyproject.toml"]:
        total.update(IDENTIFIER.findall(path.read_text(encoding="utf-8")))
    needing = [
        d
        for d in all_definitions()
        if not (d.name.startswith("__") and d.name.endswith("__"))
        and not d.registered
        and not any(d.path == path or (path.endswith(".") and d.path.startswith(path)) for path in ALLOWED)
    ]
    return needing, total


def test_every_definition_is_reached_by_the_program() -> None:
    found, total = program()
    assert len(found) > 1500, "a search that finds nothing proves nothing"
    dead = unreached(found, total)
    by_path = {d.path: d for d in found}
    assert sorted(path for path in dead if not declared_elsewhere(by_path[path])) == []


def test_a_definition_that_only_itself_and_its_like_name_is_found() -> None:
    tree = ast.parse(
        "def used(): return LIMIT\n"
        "def dead(): return dead() + only_by_dead()\n"
        "def only_by_dead(): return 1\n"
        "class Kept:\n"
        "    def called(self): return used()\n"
        "    def forgotten(self): return 2\n"
        "LIMIT = 3\n"
        "FORGOTTEN = 4\n"
        "print(Kept().called())\n"
    )
    dead = unreached(definitions("m", tree), names_in(tree))
    assert dead == {"m.dead", "m.only_by_dead", "m.Kept.forgotten", "m.FORGOTTEN"}


def test_every_exemption_names_something_that_exists() -> None:
    everything = {d.path for d in all_definitions()}
    gone = [path for path in ALLOWED if not any(known == path or known.startswith(path) for known in everything)]
    assert gone == []
