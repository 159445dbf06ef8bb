"""The jobs of the regression gate, each replayed once for the tests that look at what is said of them."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.jobs import JobFile
from monitord.replay.run import replay, write_result
from simulators.evaluation.gate import load_gate
from simulators.evaluation.records import OURS, Case, verdicts_of
from simulators.evaluation.running import arrivals_of, case_of, end_with_parent
from simulators.jobs.generate import generate


@dataclass(frozen=True)
class Played:
    """A job with what the program says of it."""

    case: Case
    """With the verdicts of the program."""
    out: Path
    """The files of the replay, in UTC."""
    first: datetime
    """Time of the first reading."""


def play(family: str, seed: int, out: Path) -> Played:
    """Make a job, replay it, and write the files of the replay."""
    made, rules = generate(family, seed), default_rule_book()
    case, job = case_of(made), JobFile.model_validate(made.job)
    result = replay(job, arrivals_of(made.readings), rules)
    case.verdicts[OURS] = verdicts_of(result)
    write_result(result, out, job.model_copy(update={"timezone": "UTC"}), rules)
    return Played(case, out, datetime.fromtimestamp(float(made.readings.time_s.min()), UTC))


def play_all(folder: Path) -> list[Played]:
    """All jobs of the gate, in two processes."""
    os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})  # for the workers, which start afresh
    with ProcessPoolExecutor(2, get_context("spawn"), initializer=end_with_parent) as pool:
        found = [pool.submit(play, family, seed, folder / f"{family}-{seed}") for family, seed in load_gate().jobs]
        return [each.result() for each in found]
