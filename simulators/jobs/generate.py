"""Simulated jobs with known truth: `generate(family, seed)`, and the same as a command.

python -m simulators.jobs --family leak --seed 3 --out DIR
"""

from __future__ import annotations

import argparse
import zlib
from pathlib import Path

import numpy as np

from simulators.jobs.families import FAMILIES
from simulators.jobs.job_generator import JobMaker, SimulatedJob
from simulators.jobs.replay_files import write_job
from simulators.jobs.sampling import sample_scenario
from simulators.jobs.sampling_days import add_ordinary_days, add_probes
from simulators.jobs.sampling_laws import WIDER, widen

__all__ = ["FAMILIES", "SimulatedJob", "generate"]


def generate(family: str, seed: int) -> SimulatedJob:
    """A job of a family; the same family and seed give the same job.

    A family's name with `-wider` behind it: the same building on the same days, its laws drawn from wider families than
    the analysis assumes.

    Raises
    ------
    KeyError : no such family.
    """
    name = family.removesuffix(WIDER)
    chosen = FAMILIES[name]
    root = np.random.SeedSequence([zlib.crc32(name.encode()), seed])
    streams = [np.random.default_rng(s) for s in root.spawn(4)]
    scenario = sample_scenario(family, seed, chosen.needs, streams[0])
    add_ordinary_days(scenario, streams[1])
    add_probes(scenario, streams[2])
    chosen.alter(scenario, streams[3])
    if family.endswith(WIDER):
        widen(scenario, np.random.default_rng([zlib.crc32(family.encode()), seed]))
    return JobMaker(scenario, chosen.about, root).make()


def main() -> None:
    """Write one job as a folder for replay, with its truth."""
    parser = argparse.ArgumentParser(prog="python -m simulators.jobs", description=main.__doc__)
    parser.add_argument("--family", choices=sorted(FAMILIES), required=True)
    parser.add_argument("--wider", action="store_true", help="laws from wider families than the analysis assumes")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    made = generate(arguments.family + (WIDER if arguments.wider else ""), arguments.seed)
    write_job(arguments.out, made.job, made.readings, made.truth)
    print(f"{len(made.readings)} readings of {len(made.job['locations'])} locations written to {arguments.out}")
