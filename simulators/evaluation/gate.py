"""The regression gate: a handful of held-out jobs whose numbers may not fall behind the limits in gate.toml."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

GATE_FILE = Path(__file__).with_name("gate.toml")


@dataclass(frozen=True)
class Limit:
    """What one number may be."""

    number: str
    measured: float
    """What it was when the limit was set."""
    at_least: float = -math.inf
    at_most: float = math.inf

    def held(self, value: float) -> bool:
        """Whether a value is within the limit; a number of which there was nothing to count is not."""
        return self.at_least <= value <= self.at_most


@dataclass(frozen=True)
class Gate:
    """Jobs to run, and the limits of their numbers."""

    jobs: tuple[tuple[str, int], ...]
    limits: tuple[Limit, ...]


def load_gate(path: Path = GATE_FILE) -> Gate:
    """Read a gate.

    Raises
    ------
    ValueError : there is no limit, one has neither `at_least` nor `at_most`, or what was measured already breaks it.
    """
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    limits = []
    if not data.get("limit"):
        raise ValueError(f"{path.name}: no limit; a gate without any can't fail")
    for entry in data["limit"]:
        limit = Limit(**entry)
        if math.isinf(limit.at_least) and math.isinf(limit.at_most):
            raise ValueError(f"{path.name}: {limit.number} has no limit; give at_least or at_most")
        if not limit.held(limit.measured):
            raise ValueError(
                f"{path.name}: {limit.number} was {limit.measured:g} when its limit was set, outside of it"
            )
        limits.append(limit)
    return Gate(tuple((family, int(seed)) for family, seed in data["jobs"]), tuple(limits))


def broken(limits: Sequence[Limit], numbers: Mapping[str, float]) -> list[str]:
    """The limits that are not held, in words."""
    return [_words(limit, numbers) for limit in limits if not limit.held(numbers.get(limit.number, math.nan))]


def _words(limit: Limit, numbers: Mapping[str, float]) -> str:
    value = numbers.get(limit.number, math.nan)
    ends = [
        f"{word} {end:g}"
        for word, end in (("at least", limit.at_least), ("at most", limit.at_most))
        if not math.isinf(end)
    ]
    now = "nothing to count" if math.isnan(value) else f"{value:.3g}"
    return f"{limit.number}: {now}; {' and '.join(ends)} asked for, {limit.measured:g} when that was set"


def gate_lines(limits: Sequence[Limit], numbers: Mapping[str, float]) -> Iterator[str]:
    """Each limit beside the present number."""
    for limit in limits:
        held = limit.held(numbers.get(limit.number, math.nan))
        yield f"{'held  ' if held else 'BROKEN'}  {_words(limit, numbers)}"
