"""Rounds of assessment: the first one after a start, and those after one new reading of each probe.

Jobs with a history of whole days are stored; the first round begins with nothing in memory and is repeated until no job
is marked any more (the ensembles of sleeves are caught up on in several). Then each probe reports once and a round is
timed, three times within one hour, and the median is taken: so the roll-ups of complete hours are made before. One
number is changed at a time, so that growth with jobs, places and days can be seen; the growth is without sleeves.
With sleeves the rounds of a whole day are averaged, for their ensembles are marched once a day; a restart goes on from
their checkpoints.
Ratios are those of processor time, which a busy machine moves less. A thousand jobs are reckoned from the largest case:
each is assessed by itself, and nothing is looked up among all.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from datetime import timedelta
from statistics import fmean, median
from typing import NamedTuple

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.pipeline import AssessmentCaches, assess_pending, mark_running
from monitord.store import pending_jobs
from monitord.store.db.database import Database
from simulators.benchmarks.jobs import INTERVAL_S, SetClock, at, one_more, store
from simulators.benchmarks.lines import Line
from simulators.benchmarks.replay import DAY_S, Spent, timed

_WARM = 3
_OF_A_DAY = 144


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
    """What the rounds of a case took, by the clock and of processor time, and what was kept for the next. [s, MB]"""

    first: Spent
    warm: Spent
    kept_mb: float
    mean_s: float
    """Processor time of a round after one new reading each, the mean of them all."""
    restart_s: float
    """Processor time until no job is marked, with nothing in memory."""


def measured(case: Case, turns: int = _WARM) -> Took:
    """Store a case and assess it, then `turns` times after one new reading each, then with nothing in memory."""
    rules, options, caches = default_rule_book(), AnalysisOptions(), AssessmentCaches()
    with tempfile.TemporaryDirectory() as folder:
        db = Database.open(f"sqlite:///{folder}/monitord.db")
        made = store(db, case.jobs, case.places, case.days, sleeves=case.sleeves)
        since_s = case.days * DAY_S
        clock = SetClock(at(since_s) + timedelta(seconds=5))

        def one_round() -> None:
            if assess_pending(db, clock, rules, options, caches).failed:
                raise RuntimeError(f"{case}: a job could not be assessed")

        first = [timed(one_round)]
        while _marked(db):
            first.append(timed(one_round))
        warm = []
        for turn in range(turns):
            clock.time = one_more(db, made, since_s + turn * INTERVAL_S)
            warm.append(timed(one_round))
        kept_mb, caches = caches.nbytes / 1e6, AssessmentCaches()
        mark_running(db, clock)
        restart_s = 0.0
        while _marked(db):
            restart_s += timed(one_round).processor_s
        db.close()
    whole = Spent(sum(one.wall_s for one in first), sum(one.processor_s for one in first))
    usual = Spent(median(one.wall_s for one in warm), median(one.processor_s for one in warm))
    return Took(whole, usual, kept_mb, fmean(one.processor_s for one in warm), restart_s)


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
    many = base._replace(jobs=2 if quick else 10)
    cases = [base, many] if quick else [base, *grown, base._replace(sleeves=True), many]
    for case in cases:
        took[case] = measured(case)
        first, warm, kept_mb, *_ = took[case]
        yield Line("b", f"{case}: first round", f"{first.wall_s:.2f} s; processor {first.processor_s:.2f} s")
        aim = "0.05 s" if case == Case() else ""
        what, shown = "round after one new reading each", f"{warm.wall_s:.3f} s; processor {warm.processor_s:.3f} s"
        yield Line("b", f"{case}: {what}", shown, aim)
        yield Line("b", f"{case}: hours kept for the next round", f"{kept_mb:.1f} MB")
    thousand = 1000 / many.jobs * took[many].warm.processor_s
    yield Line("b", f"1,000 jobs, by the round of {many}", f"processor {thousand:.0f} s", "60 s")
    if not quick:
        long, short = (took[base._replace(days=days)].warm.processor_s for days in (90, 9))
        what = "90 days against 9, after one new reading each, processor time"
        yield Line("b", f"{base.places} places: {what}", f"{long / short:.2f}", "1.2")
        yield from _with_sleeves(base._replace(sleeves=True))


def _with_sleeves(base: Case) -> Iterator[Line]:
    """What the ensembles of sleeves cost over a day and after a restart, by days of history."""
    means = {}
    for days in (9, 30, 90):
        case = base._replace(days=days)
        took = measured(case, _OF_A_DAY)
        means[days] = took.mean_s
        aim = "0.21 s" if days == base.days else ""
        yield Line("b", f"{case}: round, averaged over a day", f"processor {took.mean_s:.3f} s", aim)
        yield Line("b", f"{case}: restart", f"processor {took.restart_s:.2f} s")
    yield Line("b", "with sleeves: 90 days against 9, averaged over a day", f"{means[90] / means[9]:.2f}", "1.2")
