"""Rounds of assessment: the first one after a start, and those after one new reading of each probe.

Jobs with a history of whole days are stored; the first round begins with nothing in memory and is repeated until no job
is marked any more (the ensembles of sleeves are caught up on in several). Then each probe reports once and a round is
timed, three times within one hour, and the median is taken: so the roll-ups of complete hours are made before. One
number is changed at a time, so that growth with jobs, places and days can be seen; the growth is without sleeves.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from datetime import timedelta
from statistics import median
from time import perf_counter
from typing import NamedTuple

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.pipeline import AssessmentCaches, assess_pending
from monitord.store import pending_jobs
from monitord.store.db.database import Database
from simulators.benchmarks.jobs import INTERVAL_S, SetClock, at, one_more, store
from simulators.benchmarks.lines import Line
from simulators.benchmarks.replay import DAY_S

_WARM = 3


class Case(NamedTuple):
    """How much there is to assess."""

    jobs: int = 1
    places: int = 20
    days: float = 30
    sleeves: bool = False

    def __str__(self) -> str:
        """In words."""
        jobs = "1 job" if self.jobs == 1 else f"{self.jobs} jobs"
        sleeves = " (with sleeves)" if self.sleeves else ""
        return f"{jobs} x {self.places} places{sleeves}, {self.days:g} days"


class Took(NamedTuple):
    """What the rounds of a case took. [s]"""

    first: float
    warm: float


def measured(case: Case) -> Took:
    """Store a case and assess it."""
    rules, options, caches = default_rule_book(), AnalysisOptions(), AssessmentCaches()
    with tempfile.TemporaryDirectory() as folder:
        db = Database.open(f"sqlite:///{folder}/monitord.db")
        made = store(db, case.jobs, case.places, case.days, sleeves=case.sleeves)
        since_s = case.days * DAY_S
        clock = SetClock(at(since_s) + timedelta(seconds=5))

        def round_s() -> float:
            begun = perf_counter()
            if assess_pending(db, clock, rules, options, caches).failed:
                raise RuntimeError(f"{case}: a job could not be assessed")
            return perf_counter() - begun

        first = round_s()
        while _marked(db):
            first += round_s()
        warm = []
        for turn in range(_WARM):
            clock.time = one_more(db, made, since_s + turn * INTERVAL_S)
            warm.append(round_s())
        db.close()
    return Took(first, median(warm))


def _marked(db: Database) -> bool:
    with db.read() as conn:
        return bool(pending_jobs.marked_jobs(conn))


def lines(*, quick: bool) -> Iterator[Line]:
    """First and warm rounds, and how they grow."""
    base = Case(places=10, days=9) if quick else Case()
    took = {}
    grown = [
        base._replace(jobs=3),
        base._replace(places=base.places // 2),
        base._replace(days=9),
        base._replace(days=90),
    ]
    cases = [base, base._replace(jobs=2)] if quick else [base, *grown, base._replace(sleeves=True)]
    for case in cases:
        took[case] = measured(case)
        yield Line("b", f"{case}: first round", f"{took[case].first:.2f} s")
        aim = "0.05 s" if case == Case() else ""
        yield Line("b", f"{case}: round after one new reading each", f"{took[case].warm:.3f} s", aim)
    if not quick:
        ratio = took[base._replace(days=90)].warm / took[base._replace(days=9)].warm
        yield Line("b", f"{base.places} places: 90 days against 9, after one new reading each", f"{ratio:.2f}", "1.2")
