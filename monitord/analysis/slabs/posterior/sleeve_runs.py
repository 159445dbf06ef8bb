"""The run of one sleeve's ensemble through its days, kept between assessments so that no day is marched twice.

What is kept is a saving, never a source: a day's verdict is a function of the rows up to it, and a late reading that
changes a row throws the run back to the day before it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.slabs.posterior.checkpoint import checkpoint, resume
from monitord.analysis.slabs.posterior.ensemble import Ensemble, Slab, begin, next_day
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays, slab_grid, sleeve_days
from monitord.analysis.slabs.posterior.verdict import Held, SleeveGoal, SleeveVerdict, evaluate
from monitord.model.assessments import SleeveCheckpoint
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
class _Day:
    """A run as of the end of one of its days."""

    rows: Array
    ensemble: Ensemble
    verdict: SleeveVerdict | None

    @property
    def held(self) -> Held:
        return Held() if self.verdict is None else self.verdict.held


class SleeveRun:
    """Days of one sleeve: the newest, and ever fewer further back.

    Parameters
    ----------
    stored : checkpoints of an earlier process, to go on from where one fits.
    """

    def __init__(self, stored: Sequence[SleeveCheckpoint] = ()) -> None:
        self._kept: list[_Day] = []
        self._stored = stored
        self._stored_count = 0
        self._unstored: SleeveCheckpoint | None = None

    def take_unstored(self) -> SleeveCheckpoint | None:
        """A checkpoint that is worth storing, once."""
        found, self._unstored = self._unstored, None
        return found

    def verdict(
        self, slab: Slab, days: SleeveDays, goal: SleeveGoal, budget: Budget
    ) -> tuple[SleeveVerdict | None, bool]:
        """The verdict as of the last day, and whether the run got there within the budget."""
        self._kept = [at for at in self._kept if _same(at.rows, days.rows)]
        if not self._kept and self._stored:
            if not budget.spend():  # to go on from a checkpoint takes about as long as a day
                return None, False
            self._resume(slab, days, goal)
        newest = self._kept[-1] if self._kept else _Day(days.rows[:0], begin(slab, days), None)
        while newest.ensemble.count < len(days):
            # the newest days are always marched: catching up after a restart must not hold up what is up to date
            if len(days) - newest.ensemble.count > POSTERIOR.unbudgeted_days and not budget.spend():
                return None, False
            ensemble = next_day(slab, days, newest.ensemble)
            held = newest.held
            newest = _Day(days.rows[: ensemble.count], ensemble, evaluate(slab, days, ensemble, goal, held))
            self._keep(newest)
            # just after its members were moved, an ensemble holds most that would take long to find again
            moved, since = ensemble.base == ensemble.count, ensemble.count - self._stored_count
            if moved or since < 0 or since >= POSTERIOR.checkpoint_days:
                self._unstored, self._stored_count = checkpoint(slab, days, goal, ensemble, held), ensemble.count
        return newest.verdict, True

    def _resume(self, slab: Slab, days: SleeveDays, goal: SleeveGoal) -> None:
        stored, self._stored = self._stored, ()
        found = resume(slab, days, goal, stored)
        if found is not None:
            ensemble = found.ensemble
            verdict = evaluate(slab, days, ensemble, goal, found.before)
            self._kept, self._stored_count = [_Day(days.rows[: ensemble.count], ensemble, verdict)], ensemble.count

    def _keep(self, newest: _Day) -> None:
        """Keep it, and of the older ones those about 1, 2, 4, 8 days back."""
        count = newest.ensemble.count
        kept: dict[int, _Day] = {}
        for one in self._kept:
            octave = int(np.log2(count - one.ensemble.count))
            if octave < POSTERIOR.kept_octaves:
                kept.setdefault(octave, one)  # the oldest of each
        self._kept = [*sorted(kept.values(), key=lambda one: one.ensemble.count), newest]


class SleeveRuns:
    """The runs of a job's sleeves, by location.

    Parameters
    ----------
    stored : checkpoints of an earlier process by location.
    """

    def __init__(self, stored: Mapping[str, Sequence[SleeveCheckpoint]] | None = None) -> None:
        self._runs: dict[str, tuple[tuple[object, ...], SleeveRun]] = {}
        self._stored = dict(stored or {})

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
            known = self._runs[location.id] = (key, SleeveRun(self._stored.pop(location.id, ())))
        return known[1].verdict(slab_of(location), days, goal, budget)

    def take_unstored(self) -> dict[str, SleeveCheckpoint]:
        """Location to a checkpoint that is worth storing; each is given once."""
        found = {location: run.take_unstored() for location, (_, run) in self._runs.items()}
        return {location: one for location, one in found.items() if one is not None}


def slab_of(location: Location) -> Slab:
    """What is known of a sleeve's slab: where both faces dry, none is fed."""
    return Slab(location.id, slab_grid(location), 0.0 if location.drying_sides == 2 else POSTERIOR.fed_probability)


def _same(kept: Array, rows: Array) -> bool:
    return len(kept) <= len(rows) and np.array_equal(kept, rows[: len(kept)], equal_nan=True)
