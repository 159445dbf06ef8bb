"""How the verdict on readiness does on simulated slabs, beside a careful person with the same probes.

python -m simulators.evaluate_readiness --families sleeves,healthy --seeds 0-9 --guard 2
"""

from __future__ import annotations

import argparse

from simulators.evaluation.readiness import ReadinessScore, score_readiness
from simulators.jobs.generate import FAMILIES, generate


def main() -> None:
    """Score the verdicts of some jobs and print what came out."""
    parser = argparse.ArgumentParser(prog="python -m simulators.evaluate_readiness", description=main.__doc__)
    parser.add_argument("--families", default="sleeves", help="comma-separated, of " + ", ".join(sorted(FAMILIES)))
    parser.add_argument("--seeds", default="0-3", help="such as 0-3")
    parser.add_argument("--guard", type=float, default=2.0, help="guard band in standard uncertainties")
    parser.add_argument("--checked", action="store_true", help="every probe was checked over a salt before the job")
    parser.add_argument("--details", action="store_true", help="a line for each slab")
    arguments = parser.parse_args()
    first, _, last = arguments.seeds.partition("-")
    score = ReadinessScore()
    for family in arguments.families.split(","):
        for seed in range(int(first), int(last or first) + 1):
            found = score_readiness(generate(family, seed), arguments.guard, checked=arguments.checked)
            score.slabs.extend(found)
            for slab in found if arguments.details else ():
                late = ("-" if d is None else f"{d:.1f}" for d in (slab.days_late, slab.days_after_rule))
                print(slab.slab, f"limit {slab.limit_pct:.1f}", *late, "WRONG" if slab.wrong else "")
    print("\n".join(score.lines()))


if __name__ == "__main__":
    main()
