"""Keeps cases on disk. What was kept counts only while the sources it came from are the same."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from pydantic import TypeAdapter
from pydantic_core import to_json

import monitord
import simulators
from simulators.evaluation.records import BASELINE, OURS, Case, Verdicts

_MONITORD, _SIMULATORS = (Path(str(package.__file__)).parent for package in (monitord, simulators))
_BUILDING = ("building", "probes", "truth", "jobs")
"""Rooms that a simulated job comes from."""

_CASE, _VERDICTS = TypeAdapter(Case), TypeAdapter(Verdicts)


def _digest(paths: Sequence[Path]) -> str:
    total = hashlib.sha256()
    for path in sorted(paths):
        total.update(path.name.encode() + b"\0" + path.read_bytes())
    return total.hexdigest()[:12]


@lru_cache(maxsize=1)
def _building() -> list[Path]:
    folders = [path for name in _BUILDING for path in (_SIMULATORS / name).rglob("*.py")]
    return [*folders, *_SIMULATORS.glob("scenario.py"), *(_MONITORD / "physics").rglob("*.py")]


@lru_cache(maxsize=8)
def _sources(part: str) -> str:
    """Digest of the sources that a part of a case comes from: the job itself, or what an assessor says of it."""
    if part == "job":
        return _digest(_building())
    if part == BASELINE:
        return _digest([*_building(), *(_SIMULATORS / "evaluation" / "baseline").glob("*.py")])
    folders = [
        path
        for name in ("model", "analysis", "alerts")
        for path in (_MONITORD / name).rglob("*.[pt]*")
        if path.is_file()
    ]
    return _digest([*_building(), *folders, _MONITORD / "pipeline.py", *(_MONITORD / "replay").glob("*.py")])


class ResultCache:
    """A folder of cases."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        for part in ("job", OURS, BASELINE):
            _sources(part)  # now, while they are still those that were imported

    def _path(self, family: str, seed: int, part: str) -> Path:
        return self._folder / f"{family}-{seed}-{part}-{_sources(part)}.json"

    def load(self, family: str, seed: int, assessors: Sequence[str]) -> Case | None:
        """A case with what is kept of these judges' words; None where the job itself is not kept."""
        path = self._path(family, seed, "job")
        if not path.exists():
            return None
        case = _CASE.validate_json(path.read_bytes())
        for assessor in assessors:
            said = self._path(family, seed, assessor)
            if said.exists():
                case.verdicts[assessor] = _VERDICTS.validate_json(said.read_bytes())
        return case

    def save(self, case: Case) -> None:
        """Keep a case in place of older ones of the same family and seed."""
        self._folder.mkdir(parents=True, exist_ok=True)
        bare = replace(case, verdicts={})
        self._replace(case, "job", to_json(bare, inf_nan_mode="constants"))
        for assessor, said in case.verdicts.items():
            self._replace(case, assessor, to_json(said, inf_nan_mode="constants"))

    def _replace(self, case: Case, part: str, content: bytes) -> None:
        path = self._path(case.family, case.seed, part)
        for old in self._folder.glob(f"{case.family}-{case.seed}-{part}-*.json"):
            old.unlink(missing_ok=True)
        fresh = path.with_suffix(".new")
        fresh.write_bytes(content)
        fresh.replace(path)
