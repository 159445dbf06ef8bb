"""How the verdict on readiness does on simulated slabs, beside a careful person with the same probes.

python -m simulators.evaluate_readiness --families sleeves,healthy --seeds 0-9 --guard 2
"""

from __future__ import annotations

import argparse

from simulators.evaluation.readiness import CHECKS, ReadinessScore, score_readiness
from simulators.jobs.generate import FAMILIES, generate


def main() -> None:
    """Score the verdicts of some jobs and print what came out."""
    parser = argparse.ArgumentParser(prog="python -m simulators.evaluate_readiness", description=main.__doc__)
    parser.add_argument("--families", default="sleeves", help="comma-separated, of " + ", ".join(sorted(FAMILIES)))
    parser.add_argument("--seeds", default="0-3", help="such as 0-3")
    parser.add_argument("--guard", default="2", help="guard bands in standard uncertainties, such as 0,1,2")
    parser.add_argument(
        "--check", choices=CHECKS, default="none", help="what every probe was checked by before the job"
    )
    parser.add_argument("--details", action="store_true", help="a line for each slab")
    arguments = parser.parse_args()
    first, _, last = arguments.seeds.partition("-")
    scores = {float(guard): ReadinessScore() for guard in arguments.guard.split(",")}
    for family in arguments.families.split(","):
        for seed in range(int(first), int(last or first) + 1):
            found = score_readiness(generate(family, seed), tuple(scores), CHECKS[arguments.check])
            for guard, slabs in found.items():
                scores[guard].slabs.extend(slabs)
                for slab in slabs if arguments.details else ():
                    days = (slab.days_late, slab.days_after_rule, slab.person_days_late)
                    late = " ".join("-" if d is None else f"{d:.1f}" for d in days)
                    wrong = "" if slab.over_pct is None else f" WRONG by {slab.over_pct:.2f}"
                    wrong += " PERSON-WRONG" * slab.person_wrong
                    print(f"{guard:g} {slab.slab} limit {slab.limit_pct:.1f} {late}{wrong}", flush=True)
    for guard, score in scores.items():
        print(f"guard factor {guard:g}", *score.lines(), sep="\n")


if __name__ == "__main__":
    main()
