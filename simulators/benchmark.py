"""How fast, how small and how safe the program is, as one table: `python -m simulators.benchmark`.

    python -m simulators.benchmark [--part a --part e] [--quick]

Each part is a module of `simulators/benchmarks` and says in its head how it measures; `BENCHMARKS.md` beside this file
holds the method in short, what was measured last, and where the limits are. Measure on a machine that does nothing
else: ratios of one run can be compared between machines, times can't. `--quick` is the short form, to see that all of
it runs.

Needs mosquitto for parts a and d; the shell pipe of part a also mosquitto_sub and sqlite3: it is left out without them.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator

from simulators.benchmarks import fleet, ingest, pages, process, replay, rounds
from simulators.benchmarks.lines import Line, table

PARTS: dict[str, tuple[str, Callable[..., Iterator[Line]]]] = {
    "a": ("taking readings in, beside other ways, and what is lost under kills", ingest.lines),
    "b": ("rounds of assessment, and how they grow", rounds.lines),
    "c": ("pages and JSON while readings land", pages.lines),
    "d": ("memory, start, first reading", process.lines),
    "e": ("a fleet's hour, and bytes a reading", fleet.lines),
    "f": ("replay of what was recorded", replay.lines),
}


def main(arguments: list[str] | None = None) -> int:
    """Measure the parts asked for, each line as it comes, and the table at the end."""
    parser = argparse.ArgumentParser(
        prog="python -m simulators.benchmark",
        description=(__doc__ or "").splitlines()[0],
        epilog="Parts: " + "; ".join(f"{letter} {what}" for letter, (what, _) in PARTS.items()) + ".",
    )
    parser.add_argument("--part", action="append", choices=sorted(PARTS), help="only this one; may be given again")
    parser.add_argument("--quick", action="store_true", help="the short form")
    asked = parser.parse_args(arguments)
    lines: list[Line] = []
    for letter in asked.part or sorted(PARTS):
        for line in PARTS[letter][1](quick=asked.quick):
            lines.append(line)
            print(f"{line.part}: {line.what}: {line.measured}", file=sys.stderr, flush=True)
    print(table(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
