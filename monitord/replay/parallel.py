"""The assessments of a replay, one for each tick, by one process or by several at once.

An assessment depends on nothing but the readings that had arrived, so each process takes a stretch of time of its own
and the result is the same, whatever their number. Only alerts have a past; they are moved on by whoever asks for these,
in order.
"""

from __future__ import annotations

import gc
import pickle
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from multiprocessing import get_context

from monitord.analysis.assess import AssessmentCache, assess_job
from monitord.model.assessments import JobAssessment
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.replay.recorder import Recorder, Row


@dataclass
class Arrivals:
    """The rows of a readings file in order of arrival."""

    received_s: list[float] = field(default_factory=list)
    probes: list[str] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)

    def append(self, probe: str, row: Row) -> None:
        """Take the next row."""
        self.received_s.append(row[5])
        self.probes.append(probe)
        self.rows.append(row)


def assessments(
    job: JobFile,
    arrivals: Arrivals,
    ticks_s: Sequence[float],
    options: AnalysisOptions,
    workers: int = 1,
    criteria: CriteriaBook | None = None,
) -> Iterator[JobAssessment]:
    """The assessment at each tick, in order, by so many processes. [POSIX s]"""
    parts = _parts(ticks_s, workers)
    with ExitStack() as held:
        ahead = []
        if len(parts) > 1:
            # a fresh interpreter each: a fork would take along the threads of number libraries and progress bars
            pool = held.enter_context(ProcessPoolExecutor(len(parts) - 1, mp_context=get_context("spawn")))
            held.callback(pool.shutdown, wait=True, cancel_futures=True)
            ahead = [pool.submit(_packed, job, arrivals, part, options, criteria) for part in parts[1:]]
        yield from _stretch(job, arrivals, parts[0], options, criteria)
        for packed in ahead:
            for one in packed.result():
                yield pickle.loads(one)


def _parts(ticks_s: Sequence[float], count: int) -> list[Sequence[float]]:
    """The ticks in so many stretches of about the same work, or fewer where there are few ticks.

    A tick late in a job costs more than an early one, for more lies behind it: about half as much again at the end.
    """
    count = max(1, min(count, len(ticks_s) // 48))
    # work up to share x of the ticks is x + x²/4, of 5/4 in all
    shares = [2.0 * ((1.0 + 1.25 * k / count) ** 0.5 - 1.0) for k in range(count + 1)]
    edges = [round(share * len(ticks_s)) for share in shares]
    return [ticks_s[a:b] for a, b in pairwise(edges)]


def _stretch(
    job: JobFile,
    arrivals: Arrivals,
    ticks_s: Sequence[float],
    options: AnalysisOptions,
    criteria: CriteriaBook | None,
) -> Iterator[JobAssessment]:
    recorder, cache, at = Recorder(job), AssessmentCache(), 0
    gc.freeze()  # the rows stay to the end: looking through them for garbage again and again took a quarter of the time
    usual = gc.get_threshold()
    gc.set_threshold(50 * usual[0], *usual[1:])  # what a tick makes holds no circles, or hardly any
    try:
        for tick in ticks_s:
            while at < len(arrivals.rows) and arrivals.received_s[at] <= tick:
                recorder.add(arrivals.probes[at], arrivals.rows[at])
                at += 1
            as_of = datetime.fromtimestamp(tick, UTC)
            yield assess_job(job, recorder.record(tick), as_of, options, cache, compared=False, criteria=criteria)
    finally:
        gc.set_threshold(*usual)
        gc.unfreeze()


def _packed(
    job: JobFile,
    arrivals: Arrivals,
    ticks_s: Sequence[float],
    options: AnalysisOptions,
    criteria: CriteriaBook | None,
) -> list[bytes]:
    """A stretch in a process of its own; packed one by one, so that they need not all be in memory at once."""
    return [pickle.dumps(one, protocol=5) for one in _stretch(job, arrivals, ticks_s, options, criteria)]
