"""Which numbers of the analysis do the unit tests hold? Halves and doubles each, one at a time, and runs the tests.

    .venv/bin/python tests/mutate_numbers.py                       # all rooms: about half an hour of one core
    .venv/bin/python tests/mutate_numbers.py --room probes --only stuck

The numbers are those of the rooms' `parameters.py`; the tests are the room's own, `tests/unit/analysis/<room>`. A
change is noticed when a test fails with it. Each run is a forked process in which the number is changed before any
module that uses it is imported, so that defaults of arguments change with it.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib
import os
import pkgutil
import signal
import sys
from collections.abc import Iterator
from dataclasses import dataclass
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
LIMIT_S = 180
"""A run that takes longer hangs, and so has seen the change. [s]"""


@dataclass(frozen=True)
class Mutation:
    """One number changed."""

    room: str
    name: str
    factor: float
    old: Any
    new: Any


def rooms() -> list[str]:
    """Rooms that have parameters, the top one last."""
    found = sorted(path.parent.name for path in ANALYSIS.glob("*/parameters.py"))
    return found + ([TOP] if (ANALYSIS / "parameters.py").exists() else [])


def parameters(room: str) -> Any:
    """The frozen parameter set of a room."""
    inner = "" if room == TOP else f".{room}"
    module = importlib.import_module(f"monitord.analysis{inner}.parameters")
    sets = [value for value in vars(module).values() if dataclasses.is_dataclass(value) and not isinstance(value, type)]
    own = [value for value in sets if type(value).__module__ == module.__name__]
    if len(own) != 1:
        sys.exit(f"{module.__name__} should hold one parameter set, and holds {len(own)}")
    return own[0]


def scaled(value: Any, factor: float) -> Any:
    """A value halved or doubled; a whole number stays one and changes by 1 at least, and 0 becomes the factor."""
    if isinstance(value, dict):
        return {key: scaled(each, factor) for key, each in value.items()}
    if isinstance(value, tuple):
        return tuple(scaled(each, factor) for each in value)
    if isinstance(value, int):
        return int(np.floor(value * factor)) if value else round(factor)
    return value * factor if value else factor


def mutations(room: str, only: str) -> Iterator[Mutation]:
    """Each number of a room, halved and doubled."""
    known = parameters(room)
    for part in dataclasses.fields(known):
        old = getattr(known, part.name)
        if only in part.name:
            for factor in (0.5, 2.0):
                yield Mutation(room, part.name, factor, old, scaled(old, factor))


def tests_of(room: str) -> list[str]:
    """The unit tests of a room."""
    folder = ROOT / "tests" / "unit" / "analysis"
    return [str(path) for path in sorted(folder.glob("test_*.py"))] if room == TOP else [str(folder / room)]


def passes(room: str, mutation: Mutation | None) -> bool:
    """Whether the tests of a room pass in a forked process, with one number changed if one is given."""
    child = os.fork()
    if not child:
        _run(room, mutation)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status) == 0


def _run(room: str, mutation: Mutation | None) -> None:
    """Run the tests and end the process: 0 where all pass."""
    signal.alarm(LIMIT_S)
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
    hypothesis.settings.register_profile("mutation", derandomize=True, database=None, phases=phases)
    hypothesis.settings.load_profile("mutation")
    code = 1
    try:
        if mutation is not None:
            object.__setattr__(parameters(room), mutation.name, mutation.new)
        code = pytest.main(
            ["-x", "-q", "-p", "no:cacheprovider", "--assert=plain", "--rootdir", str(ROOT), *tests_of(room)]
        )
    finally:
        os._exit(int(code != 0))


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
        if not passes(room, None):
            sys.exit(f"the tests of {room} fail with every number as it stands: mend them first")
        killed, survived = 0, []
        for mutation in mutations(room, given.only):
            if passes(room, mutation):
                survived.append(mutation)
                print(f"  survived: {room}.{mutation.name} {mutation.old} -> {mutation.new}", flush=True)
            else:
                killed += 1
        total = killed + len(survived)
        share = killed / max(total, 1)
        short |= share < given.least
        print(f"{room}: {killed} of {total} changes noticed ({100.0 * share:.0f} %)", flush=True)
    return int(short)


if __name__ == "__main__":
    sys.exit(main())
