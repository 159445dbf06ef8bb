"""What the parts of the benchmark have in common: lines of one table, and the memory of a process."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

MIB = 2**20


class Line(NamedTuple):
    """One thing that was measured."""

    part: str
    """The letter of its part."""
    what: str
    measured: str
    aim: str = ""
    """What the project means to reach; empty: nothing was promised."""


def table(lines: Iterable[Line]) -> str:
    """The lines as a table in Markdown."""
    rows = [Line("part", "what", "measured", "aim"), Line("---", "---", "---", "---"), *lines]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def memory_mib(pid: int | str = "self") -> tuple[float, float]:
    """Resident memory of a process, now and at its highest, as Linux counts it (proc(5), VmRSS and VmHWM). [MiB]"""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    found = dict(line.split(":", 1) for line in status.splitlines())
    now, highest = (int(found[name].split()[0]) / 1024 for name in ("VmRSS", "VmHWM"))
    return now, highest
