"""Simulates jobs and lets the judges speak of them, in worker processes; what was said can be kept."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from monitord.alerts.rule_files import default_rule_book
from monitord.model.jobs import JobFile
from monitord.replay import Arrivals, replay
from simulators import events as ev
from simulators.evaluation.keeping import Keeper
from simulators.evaluation.records import OURS, Case, Verdicts, verdicts_of
from simulators.gateway import Readings
from simulators.jobs import SimulatedJob, generate

Judge = Callable[[JobFile, Arrivals], Verdicts]


def the_program(job: JobFile, arrivals: Arrivals) -> Verdicts:
    """What the program says, with the rules that come with it."""
    return verdicts_of(replay(job, arrivals, default_rule_book()))


JUDGES: dict[str, Judge] = {OURS: the_program}


def arrivals_of(readings: Readings) -> Arrivals:
    """Simulated readings as a readings file holds them."""
    arrivals = Arrivals()
    columns = zip(
        readings.time_s.astype(float).tolist(),
        readings.temperature_c.round(3).tolist(),
        readings.relative_humidity_pct.round(3).tolist(),
        readings.surface_temperature_c.round(3).tolist(),
        readings.battery_v.round(3).tolist(),
        readings.received_s.astype(float).tolist(),
        strict=True,
    )
    for who, row in zip(readings.probe.tolist(), columns, strict=True):
        arrivals.append(readings.probes[who], row)
    return arrivals


def case_of(made: SimulatedJob) -> Case:
    """A simulated job as a case on which nothing has been said."""
    moisture = [(e.target, e.start_s) for e in made.plan.events if e.kind == ev.MOISTURE and not e.benign]
    return Case(made.family, made.seed, made.job, made.truth, moisture)


def run_case(family: str, seed: int, judges: Sequence[str], keep: Path | None) -> Case:
    """One job with what the judges say of it, as far as possible from what is kept."""
    keeper = Keeper(keep) if keep is not None else None
    case = keeper.load(family, seed, judges) if keeper is not None else None
    if case is not None and not set(judges) - set(case.verdicts):
        return case
    made = generate(family, seed)
    known = {} if case is None else case.verdicts
    case, job, arrivals = case_of(made), JobFile.model_validate(made.job), arrivals_of(made.readings)
    for name in judges:
        case.verdicts[name] = known[name] if name in known else JUDGES[name](job, arrivals)
    if keeper is not None:
        keeper.save(case)
    return case


def run_cases(
    wanted: Sequence[tuple[str, int]], judges: Sequence[str], workers: int, keep: Path | None
) -> Iterator[Case]:
    """The jobs of these families and seeds as they are done, in any order."""
    os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})  # for the workers, which start afresh
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), max_tasks_per_child=20) as pool:
        futures = [pool.submit(run_case, family, seed, judges, keep) for family, seed in wanted]
        try:
            for future in as_completed(futures):
                yield future.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
