"""All verdicts on a sleeve as of the end of a day: questions to one set of futures, so none contradicts another."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitord.analysis.slabs.posterior.ensemble import Ensemble, Slab
from monitord.analysis.slabs.posterior.outlook import outlook
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.present_air import present_air
from monitord.analysis.slabs.posterior.queries.check_gain import CheckGain, check_gain
from monitord.analysis.slabs.posterior.queries.date import GoalDate, goal_date
from monitord.analysis.slabs.posterior.queries.goal import goal_probability
from monitord.analysis.slabs.posterior.queries.level import Level, level
from monitord.analysis.slabs.posterior.queries.never import never_probability
from monitord.analysis.slabs.posterior.queries.stall import SlabStall, stall
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays


@dataclass(frozen=True)
class SleeveGoal:
    """What a sleeve is held against."""

    limit_pct: float
    window_h: float
    stall_share_per_week: float
    stall_probability: float
    u_check_pct: float
    """Standard uncertainty of a check of the probe. [% RH]"""

    @property
    def window_d(self) -> int:
        """The window in whole days, at least one. [d]"""
        return max(1, round(self.window_h / 24.0))


class Held(NamedTuple):
    """What a verdict hands on to that of the next day: what was told is held until it is clearly over."""

    at_goal: bool = False
    at_goal_since_s: float | None = None
    stalled: bool = False


@dataclass(frozen=True)
class SleeveVerdict:
    """What is held of a sleeve as of the end of a day."""

    as_of_s: float
    level: Level
    at_goal: bool
    goal_probability: float
    at_goal_since_s: float | None
    stall: SlabStall
    never: bool
    never_probability: float
    date: GoalDate | None
    """Of the futures that arrive, counted from `as_of_s`; None where none does."""
    gain: CheckGain | None
    """What a check of the probe would bring; None at the goal."""

    @property
    def held(self) -> Held:
        """What the next day's verdict asks of this one."""
        return Held(self.at_goal, self.at_goal_since_s, self.stall.active)


def evaluate(slab: Slab, days: SleeveDays, ensemble: Ensemble, goal: SleeveGoal, before: Held) -> SleeveVerdict | None:
    """Put every question to the ensemble after its last day; None while no reading counts.

    `before` is what the verdict of the day before handed on.
    """
    past, end_s = days.until(ensemble.count), float(days.end_s[ensemble.count - 1])
    if not np.isfinite(past.reading_pct).any():
        return None
    air = present_air(past)
    futures = outlook(slab, past, ensemble, air, goal.window_d)
    p_goal = goal_probability(futures, goal.limit_pct)
    counted = int(np.isfinite(past.reading_pct).sum()) >= goal.window_d
    at_goal = counted and p_goal >= (POSTERIOR.goal_lost_under if before.at_goal else POSTERIOR.goal_at)
    since = None if not at_goal else before.at_goal_since_s if before.at_goal else end_s
    halted = stall(futures, goal.limit_pct, air, goal.stall_share_per_week, goal.stall_probability, before.stalled)
    if at_goal or past.since_sealed_h[-1] + 24.0 < POSTERIOR.stall_after_h:
        halted = replace(halted, active=False)
    p_never = 0.0 if at_goal else never_probability(futures, goal.limit_pct)
    date = None if at_goal else goal_date(futures, goal.limit_pct, goal.window_h / 24.0)
    rng = slab.generator(end_s + POSTERIOR.check_stream_s)
    gain = None if at_goal else check_gain(futures, goal.limit_pct, goal.u_check_pct, rng)
    return SleeveVerdict(
        end_s, level(futures), at_goal, p_goal, since, halted, p_never >= POSTERIOR.never_at, p_never, date, gain
    )
