"""What the daemon takes as a process: to its first reading, in memory, and to say what it can do.

The broker holds one reading for a session that exists when the daemon is started on an empty folder, migrations
included: the time runs from the start of the process until the reading is seen in the database, from outside; that the
broker was then told is asked of the broker itself at the end. Memory is the resident size of proc(5) when it has come.
Everything is started again in each round, and the median is given. Processor time is that of the process until then
(utime and stime of proc(5)), which a busy machine moves less.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from time import perf_counter, sleep

from simulators.benchmarks import kills
from simulators.benchmarks.broker import fill, mosquitto
from simulators.benchmarks.ingest import left_behind
from simulators.benchmarks.lines import Line, memory_mib
from simulators.benchmarks.replay import Spent, timed

_PATIENCE_S = 120.0
_HELP = [sys.executable, "-m", "monitord", "--help"]


def first_reading() -> tuple[float, float, float]:
    """From the start of the process to its first reading [s], processor time [s] and memory [MiB] then."""
    way = kills.MONITORD
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name)) as port:
        fill(port, way.session, "5", 1, 1)
        begun = perf_counter()
        process = kills.start(way, port, Path(name))
        try:
            while not way.stored(Path(name)) and perf_counter() - begun < _PATIENCE_S:
                sleep(0.005)
            spent = perf_counter() - begun
            processor, memory = _processor_s(process.pid), memory_mib(process.pid)[0]
        finally:
            kills.end(process, signal.SIGTERM)
        if len(way.stored(Path(name))) != 1 or left_behind(port, way.session, "5"):
            raise RuntimeError("the reading was not stored, or the broker was not told")
    return spent, processor, memory


def _processor_s(pid: int) -> float:
    """Processor time that a process has taken. [s]"""
    after_name = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")


def help_takes() -> Spent:
    """`monitord --help`, from the start of the process to its end."""
    return timed(lambda: subprocess.run(_HELP, check=True, stdout=subprocess.DEVNULL))


def lines(*, quick: bool) -> Iterator[Line]:
    """Start, memory, help."""
    rounds = 3 if quick else 5
    found = [first_reading() for _ in range(rounds)]
    start, processor, memory = (median(one) for one in zip(*found, strict=True))
    what = "start to first stored and acknowledged reading"
    yield Line("d", what, f"{start:.2f} s; processor {processor:.2f} s", "under 2 s")
    yield Line("d", "memory when it has come", f"{memory:.0f} MiB")
    wall, processor = (median(one) for one in zip(*(help_takes() for _ in range(rounds)), strict=True))
    yield Line("d", "monitord --help", f"{wall:.2f} s; processor {processor:.2f} s", "under 0.3 s")
