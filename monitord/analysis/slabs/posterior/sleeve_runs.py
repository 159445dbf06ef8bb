"""The run of one sleeve's ensemble through its days, kept between assessments so that no day is marched twice.

What is kept is a saving, never a source: a day's verdict is a function of the rows up to it, and a late reading that
changes a row throws the run back to the day before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.slabs.posterior.ensemble import Ensemble, Slab, begin, next_day
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays, slab_grid, sleeve_days
from monitord.analysis.slabs.posterior.verdict import SleeveGoal, SleeveVerdict, evaluate
from monitord.model.jobs import Location
from monitord.model.series import Array


@dataclass
class Budget:
    """How many days of sleeves may still be caught up on in this round; None: as many as there are."""

    days: int | None = None

    def spend(self) -> bool:
        """Take one day; False where none is left."""
        if self.days is None:
            return True
        self.days -= 1
        return self.days >= 0


@dataclass(frozen=True)
class _Checkpoint:
    rows: Array
    ensemble: Ensemble
    verdict: SleeveVerdict | None


class SleeveRun:
    """Checkpoints of one sleeve: the newest days, and ever fewer further back."""

    def __init__(self) -> None:
        self._kept: list[_Checkpoint] = []

    def verdict(
        self, slab: Slab, days: SleeveDays, goal: SleeveGoal, budget: Budget
    ) -> tuple[SleeveVerdict | None, bool]:
        """The verdict as of the last day, and whether the run got there within the budget."""
        self._kept = [at for at in self._kept if _same(at.rows, days.rows)]
        newest = self._kept[-1] if self._kept else _Checkpoint(days.rows[:0], begin(slab, days), None)
        while newest.ensemble.count < len(days):
            # the newest days are always marched: catching up after a restart must not hold up what is up to date
            if len(days) - newest.ensemble.count > POSTERIOR.unbudgeted_days and not budget.spend():
                return None, False
            ensemble = next_day(slab, days, newest.ensemble)
            verdict = evaluate(slab, days, ensemble, goal, newest.verdict)
            newest = _Checkpoint(days.rows[: ensemble.count], ensemble, verdict)
            self._keep(newest)
        return newest.verdict, True

    def _keep(self, newest: _Checkpoint) -> None:
        """Keep it, and of the older ones those about 1, 2, 4, 8 days back."""
        count = newest.ensemble.count
        kept: dict[int, _Checkpoint] = {}
        for one in self._kept:
            octave = int(np.log2(count - one.ensemble.count))
            if octave < POSTERIOR.kept_octaves:
                kept.setdefault(octave, one)  # the oldest of each
        self._kept = [*sorted(kept.values(), key=lambda one: one.ensemble.count), newest]


class SleeveRuns:
    """The runs of a job's sleeves, by location."""

    def __init__(self) -> None:
        self._runs: dict[str, tuple[tuple[object, ...], SleeveRun]] = {}

    def verdict(
        self, series: HourlySeries, references: ReferenceSeries, sealed_s: float, goal: SleeveGoal, budget: Budget
    ) -> tuple[SleeveVerdict | None, bool]:
        """The verdict on a sleeve as of its newest whole day, and whether the budget allowed to get there."""
        days = sleeve_days(series, references, sealed_s)
        if days is None:
            return None, True
        location = series.location
        # all that a run rests on besides its days: another slab or goal starts anew
        key = (location.depth_mm, location.slab_thickness_mm, location.drying_sides, goal)
        known = self._runs.get(location.id)
        if known is None or known[0] != key:
            known = self._runs[location.id] = (key, SleeveRun())
        return known[1].verdict(slab_of(location), days, goal, budget)


def slab_of(location: Location) -> Slab:
    """What is known of a sleeve's slab: where both faces dry, none is fed."""
    return Slab(location.id, slab_grid(location), 0.0 if location.drying_sides == 2 else POSTERIOR.fed_probability)


def _same(kept: Array, rows: Array) -> bool:
    return len(kept) <= len(rows) and np.array_equal(kept, rows[: len(kept)], equal_nan=True)
