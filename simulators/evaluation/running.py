"""Simulates jobs and runs the program and the baseline on them, in worker processes; what was said can be kept."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from pathlib import Path
from threading import Thread

import numpy as np

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.jobs import JobFile, LocationKind
from monitord.physics.moist_air import dew_or_frost_point
from monitord.replay.parallel import Arrivals
from monitord.replay.run import replay
from simulators.building import events as ev
from simulators.evaluation.baseline.assessor import the_baseline
from simulators.evaluation.records import BASELINE, OURS, Case, Verdicts, verdicts_of
from simulators.evaluation.result_cache import ResultCache
from simulators.jobs.generate import SimulatedJob, generate
from simulators.probes.gateway import Readings
from simulators.scenario import HOUR_S, SPIN_UP_S, STEP_S, Location
from simulators.truth.ground_truth import LocationHistory

ReplaySession = Callable[[JobFile, Arrivals], Verdicts]


def the_program(job: JobFile, arrivals: Arrivals) -> Verdicts:
    """What the program says, with the rules that come with it."""
    return verdicts_of(replay(job, arrivals, default_rule_book()))


ASSESSORS: dict[str, ReplaySession] = {OURS: the_program, BASELINE: the_baseline}


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
    moisture = [(e.target, e.start_s) for e in made.scenario.events if e.kind == ev.MOISTURE and not e.benign]
    job = JobFile.model_validate(made.job)
    margins = {p.id: min_margins(made.histories[p.id]) for p in made.scenario.locations if surface_known(job, p)}
    return Case(made.family, made.seed, made.job, made.truth, moisture, margins)


def surface_known(job: JobFile, location: Location) -> bool:
    """Whether anybody can know the cold surface: by a sensor, or by a factor with room and outdoor air."""
    own = job.location(location.id)
    room = own if own.kind is LocationKind.ROOM_AIR else job.room_of(own)
    return location.surface_sensor or (location.f_rsi is not None and room is not None and job.outdoor() is not None)


def min_margins(history: LocationHistory) -> list[float]:
    """How far the coldest surface stayed above the dew or frost point, least of each hour of the job. [K]"""
    if history.surface_c is None:
        raise ValueError("no cold surface is watched there")
    margin = history.surface_c - np.asarray(dew_or_frost_point(np.maximum(history.vapour_pressure_pa, 0.2)))
    steps, spin_up = round(HOUR_S / STEP_S), round(SPIN_UP_S / HOUR_S)
    hours = margin[: len(margin) // steps * steps].reshape(-1, steps).min(axis=1)
    return [float(x) for x in hours[spin_up:]]


def run_case(family: str, seed: int, assessors: Sequence[str], keep: Path | None) -> Case:
    """One job with what each assessor says of it, as far as possible from what is kept."""
    cache = ResultCache(keep) if keep is not None else None
    case = cache.load(family, seed, assessors) if cache is not None else None
    if case is not None and not set(assessors) - set(case.verdicts):
        return case
    made = generate(family, seed)
    known = {} if case is None else case.verdicts
    case, job, arrivals = case_of(made), JobFile.model_validate(made.job), arrivals_of(made.readings)
    for name in assessors:
        case.verdicts[name] = known[name] if name in known else ASSESSORS[name](job, arrivals)
    if cache is not None:
        cache.save(case)
    return case


@dataclass(frozen=True)
class Failure:
    """A job that could not be simulated or judged."""

    family: str
    seed: int
    error: str


def end_with_parent() -> None:
    """End this worker when the process that started it ends, however that comes about."""
    parent = parent_process()

    def wait() -> None:
        if parent is not None:
            parent.join()
        os._exit(1)

    Thread(target=wait, daemon=True).start()


def run_cases(
    wanted: Sequence[tuple[str, int]], assessors: Sequence[str], workers: int, keep: Path | None
) -> Iterator[Case | Failure]:
    """The jobs of these families and seeds as they are done, in any order; one that fails does not end the others."""
    os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})  # for the workers, which start afresh
    spawn = get_context("spawn")
    with ProcessPoolExecutor(workers, spawn, initializer=end_with_parent) as pool:
        futures = {pool.submit(run_case, family, seed, assessors, keep): (family, seed) for family, seed in wanted}
        try:
            for future in as_completed(futures):
                error = future.exception()
                # the worker's own traceback comes as the cause
                yield future.result() if error is None else Failure(*futures[future], f"{error!r}\n{error.__cause__}")
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
