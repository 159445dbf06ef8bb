"""Which numbers of the analysis do the unit tests hold? Halves and doubles each, one at a time, and runs the tests.

    .venv/bin/python tests/mutate_numbers.py                       # all rooms
    .venv/bin/python tests/mutate_numbers.py --room probes --only stuck

The numbers are those of the rooms' `parameters.py`; the tests are the room's own, `tests/unit/analysis/<room>`. A
change is noticed when a test fails with it. The tests of a room are collected once, and each change is made in a fork
of that process, which runs the tests that read the number and stops at the first failure. A number that is read
already while modules are imported (a default of an argument) is changed in a fork from before the imports.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib
import os
import pickle
import pkgutil
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Any

import hypothesis
import numpy as np
import pytest
import scipy.optimize
import scipy.signal
import scipy.special
import scipy.stats  # noqa: F401  imported once, for all forks

ROOT = Path(__file__).parents[1]
ANALYSIS = ROOT / "monitord" / "analysis"
TOP = "top"
"""The room of the modules that lie in `monitord/analysis` itself."""
LIMIT_S = 60
"""A run that takes more of a processor's time than this and ten times that with every number in place hangs, and so has
seen the change. [s]"""


@dataclass(frozen=True)
class Mutation:
    """One number changed."""

    room: str
    name: str
    factor: float
    old: Any
    new: Any

    @property
    def key(self) -> str:
        """Tells it from the others of its room."""
        return f"{self.name} {self.factor}"


def rooms() -> list[str]:
    """Rooms that have parameters, the top one last."""
    found = {str(path.parent.relative_to(ANALYSIS)) for path in ANALYSIS.rglob("parameters.py")}
    return sorted(found - {"."}) + ([TOP] if "." in found else [])


def parameters(room: str) -> list[Any]:
    """The frozen parameter sets of a room."""
    inner = "" if room == TOP else "." + room.replace("/", ".")
    module = importlib.import_module(f"monitord.analysis{inner}.parameters")
    sets = [value for value in vars(module).values() if dataclasses.is_dataclass(value) and not isinstance(value, type)]
    return [value for value in sets if type(value).__module__ == module.__name__]


def scaled(value: Any, factor: float) -> Any:
    """A value halved or doubled; a whole number stays one and changes by 1 at least, and 0 becomes the factor."""
    if isinstance(value, dict):
        return {key: scaled(each, factor) for key, each in value.items()}
    if isinstance(value, tuple):
        return tuple(scaled(each, factor) for each in value)
    if isinstance(value, Enum | str):
        return value
    if isinstance(value, int):
        return int(np.floor(value * factor)) if value else round(factor)
    return value * factor if value else factor


def mutations(room: str, only: str) -> Iterator[Mutation]:
    """Each number of a room, halved and doubled."""
    for known in parameters(room):
        for part in dataclasses.fields(known):
            old = getattr(known, part.name)
            if only in part.name:
                for factor in (0.5, 2.0):
                    yield Mutation(room, part.name, factor, old, scaled(old, factor))


def tests_of(room: str) -> list[str]:
    """The unit tests of a room, not those of rooms inside it."""
    folder = ROOT / "tests" / "unit" / "analysis" / ("" if room == TOP else room)
    return [str(path) for path in sorted(folder.glob("test_*.py"))]


def in_fork(work: Callable[[], Any], limit_s: float = 0.0) -> Any:
    """What a function returns in a forked process without output; None where that ends early."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        signal.setitimer(signal.ITIMER_PROF, limit_s)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        try:
            with os.fdopen(writing, "wb") as pipe:
                pickle.dump(work(), pipe)
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    return pickle.loads(said) if said else None


@dataclass
class Collected:
    """A plugin that runs work in place of the tests, once these are collected."""

    room: str
    work: Callable[[list[pytest.Item], set[str]], Any]
    read: set[str] = field(default_factory=set)
    """Fields of the parameter set that were read since this was last emptied."""
    found: Any = None

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Hand over the tests, with the fields that were read while they were collected."""
        imported = set(self.read)
        self.found = self.work(session.items, imported)
        return True


def watch(room: str, read: set[str]) -> None:
    """Note which fields of a parameter set are read."""
    kinds = [type(known) for known in parameters(room)]
    names = {part.name for kind in kinds for part in dataclasses.fields(kind)}

    def noted(self: Any, name: str) -> Any:
        if name in names:
            read.add(name)
        return object.__getattribute__(self, name)

    for kind in kinds:
        kind.__getattribute__ = noted  # type: ignore[assignment]


def unwatch(room: str) -> None:
    """Stop noting."""
    for known in parameters(room):
        del type(known).__getattribute__


def run(items: list[pytest.Item], after: Callable[[pytest.Item], None] = lambda item: None) -> int | None:
    """Run tests up to the first that fails, and give its place; None where all passed."""
    for at, (item, following) in enumerate(zip(items, [*items[1:], None], strict=True)):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        after(item)
        if item.session.testsfailed:
            return at
    return None


def collect(plugin: Collected) -> Any:
    """Collect a room's tests and do the plugin's work with them."""
    phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
    hypothesis.settings.register_profile("mutation", derandomize=True, database=None, phases=phases, deadline=None)
    hypothesis.settings.load_profile("mutation")
    quick = ["-x", "-q", "-s", "-p", "no:cacheprovider", "-p", "no:xdist", "--assert=plain", "--rootdir", str(ROOT)]
    pytest.main([*quick, *tests_of(plugin.room)], plugins=[plugin])
    return plugin.found


def readers(items: list[pytest.Item], read: set[str]) -> tuple[dict[str, set[int]], list[float]] | None:
    """Which tests read each field, and how long each takes [s]; None where one fails. To be run in a fork.

    What a module's first test reads may be kept by a fixture or a cache, and then counts for all of that module; from
    one module to the next caches are emptied.
    """
    known: dict[str, set[int]] = {}
    number, took = {item: at for at, item in enumerate(items)}, [0.0] * len(items)
    began, last = time.process_time(), ""
    caches = [
        value
        for name, module in sorted(sys.modules.items())
        if name.startswith("monitord.analysis")
        for value in vars(module).values()
        if hasattr(value, "cache_clear")
    ]

    def note(item: pytest.Item) -> None:
        nonlocal began, last
        module = str(item.path)
        series = [number[item]] if module == last else [at for one, at in number.items() if one.path == item.path]
        for name in read:
            known.setdefault(name, set()).update(series)
        read.clear()
        took[number[item]], began, last = time.process_time() - began, time.process_time(), module
        following = items[number[item] + 1 : number[item] + 2]
        if following and following[0].path != item.path:
            for cache in caches:
                cache.cache_clear()

    read.clear()
    return (known, took) if run(items, note) is None else None


def measured(room: str, asked: list[Mutation], read: set[str]) -> tuple[dict[str, bool], list[Mutation], float] | None:
    """Which changes were noticed, which need another import, and how long the tests take [s]; None where these fail.

    The tests that noticed the most for their time run first.
    """

    def work(items: list[pytest.Item], imported: set[str]) -> tuple[dict[str, bool], list[Mutation], float] | None:
        known = in_fork(lambda: readers(items, read))
        if known is None:
            return None
        by_name, took = known
        unwatch(room)
        noticed, worth = {}, [1.0] * len(items)
        for mutation in asked:
            if mutation.name in imported:
                continue
            order = sorted(by_name.get(mutation.name, ()), key=lambda at: took[at] / worth[at])
            some = [items[at] for at in order]
            found = in_fork(partial(changed, mutation, partial(run, some)), max(LIMIT_S, 10.0 * sum(took)))
            noticed[mutation.key] = found != PASSED
            if isinstance(found, int) and found >= 0:
                worth[order[found]] += 1.0
        return noticed, [one for one in asked if one.name in imported], sum(took)

    found: tuple[dict[str, bool], list[Mutation], float] | None = collect(Collected(room, work, read))
    return found


PASSED = -1
"""In place of the place of a test that fails."""


def changed(mutation: Mutation, tests: Callable[[], int | None]) -> int:
    """Change a number for good; which test then fails."""
    for known in parameters(mutation.room):
        if mutation.name in {part.name for part in dataclasses.fields(known)}:
            object.__setattr__(known, mutation.name, mutation.new)
    failed = tests()
    return PASSED if failed is None else failed


def noticed_in(room: str, asked: list[Mutation]) -> dict[str, bool]:
    """Whether the tests of a room notice each change, by name and factor."""
    read: set[str] = set()

    def first() -> Any:
        watch(room, read)
        return measured(room, asked, read)

    found = in_fork(first)
    if found is None:
        sys.exit(f"the tests of {room} fail with every number as it stands: mend them first")
    noticed: dict[str, bool] = found[0]
    left, took = found[1:]
    for mutation in left:
        every = partial(collect, Collected(room, lambda items, _: run(items), found=0))
        noticed[mutation.key] = in_fork(partial(changed, mutation, every), max(LIMIT_S, 10.0 * took)) != PASSED
    return noticed


def main() -> int:
    """Run the mutations and print which survived; 1 where too many did."""
    asked = argparse.ArgumentParser(description="Halve and double each number of the analysis and run its unit tests.")
    asked.add_argument("--room", action="append", choices=rooms(), help="this room only; may be given more than once")
    asked.add_argument("--only", default="", metavar="TEXT", help="only numbers whose name contains this")
    asked.add_argument("--least", type=float, default=0.8, help="share of the changes that tests must notice")
    given = asked.parse_args()
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    for package in ("physics", "model"):  # imported once: they don't depend on the analysis
        found = importlib.import_module(f"monitord.{package}")
        for info in pkgutil.walk_packages(found.__path__, f"{found.__name__}."):
            importlib.import_module(info.name)
    short = False
    for room in given.room or rooms():
        of_room = list(mutations(room, given.only))
        noticed = noticed_in(room, of_room)
        for mutation in of_room:
            if not noticed[mutation.key]:
                print(f"  survived: {room}.{mutation.name} {mutation.old} -> {mutation.new}")
        killed, total = sum(noticed.values()), len(noticed)
        share = killed / max(total, 1)
        short |= share < given.least
        print(f"{room}: {killed} of {total} changes noticed ({100.0 * share:.0f} %)", flush=True)
    return int(short)


if __name__ == "__main__":
    sys.exit(main())
