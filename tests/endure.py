"""Long runs against faults, outside the suite; each prints what it measured.

.venv/bin/python tests/endure.py kills --count 100       # the daemon is killed without warning, under load
.venv/bin/python tests/endure.py drain --count 200000    # a backlog waits at the broker
.venv/bin/python tests/endure.py fuzz --count 1000000    # malformed input, for everything that reads from outside
.venv/bin/python tests/endure.py share --count 30        # three of each role on PostgreSQL, killed and stopped
.venv/bin/python tests/endure.py year --count 13         # four weeks each of twenty probes, through store and rules
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent / "support")]

import endurance  # noqa: E402
import fuzzing  # noqa: E402
import team  # noqa: E402
import year  # noqa: E402

RUNS: dict[str, tuple[Callable[[Path, int], Any], int]] = {
    "kills": (endurance.kill_at_random, 100),
    "drain": (endurance.drain, 200_000),
    "share": (team.share, 30),
    "fuzz": (lambda _, count: fuzzing.fuzz(count), 1_000_000),
    "year": (year.weeks, 13),
}


def main() -> None:
    """Run one of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("run", choices=RUNS)
    parser.add_argument("--count", type=int, help="how many; default: as above")
    asked = parser.parse_args()
    run, default = RUNS[asked.run]
    with tempfile.TemporaryDirectory() as folder:
        found = run(Path(folder), asked.count or default)
        for part in found if isinstance(found, Iterator) else [found]:
            for name, value in asdict(part).items():
                print(f"{name:>16} {value:,.2f}" if isinstance(value, float) else f"{name:>16} {value:,}", flush=True)
            print()


if __name__ == "__main__":
    main()
