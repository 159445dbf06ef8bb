"""Simulates jobs, assesses them, and compares the findings with the ground truth.

    python -m simulators.evaluate --families leak,sleeves --seeds 2 --details

Each job is run twice: with laws as the analysis assumes them, and with laws from wider families (`--laws`); each has
its own table.
Seeds from 0 on are for tuning; those from 1000 on (`--held-out`) are for measuring, never for tuning.
How each number is counted: simulators/evaluation/SCORING.md.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from simulators.evaluation.details import print_details
from simulators.evaluation.gate import broken, gate_lines, load_gate
from simulators.evaluation.numbers import numbers
from simulators.evaluation.records import OURS
from simulators.evaluation.running import ASSESSORS, Failure, run_cases
from simulators.evaluation.scoring import Score, score_case
from simulators.evaluation.table import print_table, write_json
from simulators.jobs.families import FAMILIES
from simulators.jobs.sampling_laws import WIDER

HELD_OUT_FROM = 1000
ASSUMED, WIDE = "assumed", "wider"
LAWS = {ASSUMED: "", WIDE: WIDER}
"""What ends the name of a family whose laws are as the analysis assumes them, and of one whose laws are wider."""


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m simulators.evaluate", description=__doc__.split("\n\n", 1)[0])
    parser.add_argument("--families", default=",".join(FAMILIES), help="which, with commas between; otherwise all")
    parser.add_argument("--seeds", default="8", help="how many of each family, or from-to such as 3-5, both included")
    parser.add_argument("--held-out", action="store_true", help="the seeds for measuring instead of those for tuning")
    parser.add_argument("--jobs", type=int, help="no more jobs than this, taken in turn from the families")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--gate", action="store_true", help="run the jobs of the regression gate and show its limits")
    parser.add_argument("--laws", choices=[*LAWS, "both"], default="both", help="of materials and probes (both)")
    parser.add_argument("--only", choices=sorted(ASSESSORS), help="only the program, or only the baseline")
    parser.add_argument("--details", action="store_true", help="tuning: list each miss and false alarm")
    parser.add_argument("--by-family", action="store_true", help="a table for each family as well")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the numbers to a file as well")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep what was said there, and use what is kept")
    wishes = parser.parse_args(argv)
    if wishes.details and (wishes.held_out or wishes.gate):
        parser.error("held-out jobs are for measuring: their misses are not listed, so that nobody tunes on them")
    return wishes


def chosen(
    families: str, seeds: str, held_out: bool, maximum: int | None, laws: str = ASSUMED
) -> list[tuple[str, int]]:
    """The jobs to run: seed by seed, so that a few jobs already come from all families; `laws`: one of them or both.

    Raises
    ------
    SystemExit : a family is not known, or a seed for tuning is one that is held out.
    """
    names = [name.strip() for name in families.split(",") if name.strip()]
    unknown = [name for name in names if name not in FAMILIES]
    if unknown:
        raise SystemExit(f"no family {unknown[0]!r}; there are {', '.join(FAMILIES)}")
    first, _, last = seeds.partition("-")
    wanted = range(int(first), int(last) + 1) if last else range(int(first))
    offset = HELD_OUT_FROM if held_out else 0
    if not held_out and wanted.stop > HELD_OUT_FROM:
        raise SystemExit(f"seeds from {HELD_OUT_FROM} on are held out; ask for them with --held-out")
    ends = [LAWS[name] for name in (LAWS if laws == "both" else [laws])]
    return [(name + end, offset + seed) for seed in wanted for name in names for end in ends][:maximum]


@dataclass
class Measured:
    """Scores by assessor, in total, by the laws of the jobs, and by family."""

    totals: dict[str, Score]
    laws: dict[str, dict[str, Score]] = field(default_factory=dict)
    families: dict[str, dict[str, Score]] = field(default_factory=dict)
    failures: list[Failure] = field(default_factory=list)


def measure(
    wanted: Sequence[tuple[str, int]], assessors: Sequence[str], workers: int = 1, keep: Path | None = None
) -> Measured:
    """Run jobs and score each assessor; shows how far it is."""
    measured = Measured({assessor: Score() for assessor in assessors})
    with Progress(console=Console(stderr=True)) as progress:
        task = progress.add_task("Jobs", total=len(wanted))
        for case in run_cases(wanted, assessors, workers, keep):
            progress.advance(task)
            if isinstance(case, Failure):
                measured.failures.append(case)
                continue
            for assessor in assessors:
                score = score_case(case, case.verdicts[assessor])
                measured.totals[assessor].add(score)
                laws = WIDE if case.family.endswith(WIDER) else ASSUMED
                measured.laws.setdefault(laws, {}).setdefault(assessor, Score()).add(score)
                measured.families.setdefault(case.family, {}).setdefault(assessor, Score()).add(score)
    return measured


def main(argv: Sequence[str] | None = None) -> int:
    """Run the evaluation and print its table."""
    wishes = _arguments(argv)
    if wishes.gate:
        return _gate(wishes)
    wanted = chosen(wishes.families, wishes.seeds, wishes.held_out, wishes.jobs, wishes.laws)
    assessors = [wishes.only] if wishes.only else list(ASSESSORS)
    measured = measure(wanted, assessors, wishes.workers, wishes.keep)
    if wishes.details:
        print_details(measured.totals[assessors[0]])
    if wishes.by_family:
        for name in sorted(measured.families):
            print_table(measured.families[name], title=name)
    for laws, scores in sorted(measured.laws.items()):
        print_table(scores, title=f"Laws: {laws}")
    if wishes.json is not None:
        write_json(wishes.json, measured.totals, measured.laws | measured.families)
    return _told(measured.failures)


def _gate(wishes: argparse.Namespace) -> int:
    """Run the jobs of the regression gate and hold their numbers against its limits."""
    gate = load_gate()
    measured = measure(gate.jobs, [OURS], wishes.workers, wishes.keep)
    found = numbers(measured.totals[OURS])
    print_table(measured.totals, title="Jobs of the gate")
    print("\n".join(gate_lines(gate.limits, found)))
    return max(_told(measured.failures), 1 if broken(gate.limits, found) else 0)


def _told(failures: Sequence[Failure]) -> int:
    for failure in failures:
        print(f"not done: {failure.family} {failure.seed}: {failure.error}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
