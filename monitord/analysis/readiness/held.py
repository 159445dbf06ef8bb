"""For how long each position has been under its limit without a break."""

from __future__ import annotations

import numpy as np

from monitord.analysis.readiness.conformance import acceptance_limit
from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.positions import Position, changes_in_a_day
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import HeldRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason
from monitord.model.series import HOUR_S


def evaluate(element: Element, rule: HeldRule) -> CriterionResult:
    """The run of hours under limit and guard band that reaches now; hours that are not known break it."""
    return result(Criterion.HELD, rule, [_one(element, rule, position) for position in element.positions])


def _one(element: Element, rule: HeldRule, position: Position) -> PositionValue:
    where, limit = position.location.id, Quantity(value=rule.hours, unit="h")
    since = under_since(element, position)
    if since is None:
        known = position.limit is not None and len(position.mean) and np.isfinite(position.mean[-1])
        return PositionValue(
            location=where,
            outcome=Outcome.NOT_YET if known else Outcome.CANNOT_SAY,
            reason=Reason.NOT_HELD if known else Reason.NO_READINGS,
            limit=limit,
            earliest=element.after(rule.hours),
        )
    return element.held_for(where, since, rule.hours, Reason.HOLD_RUNS)


def under_since(element: Element, position: Position) -> float | None:
    """Since when the mean has been at or under the accepted value; None: it is not. Settled hours only. [s]"""
    if position.limit is None or not len(position.mean):
        return None
    with np.errstate(invalid="ignore"):
        under = position.mean <= acceptance_limit(position.limit, position.u, element.guard_factor)
    equilibration = element.criteria.equilibration
    if position.sealed and equilibration is not None:
        if position.clock_s is None:
            return None
        under &= position.series.hour_s >= position.clock_s + equilibration.clock_h * HOUR_S
        with np.errstate(invalid="ignore"):  # an hour at which it still filled was no value yet
            under &= ~(changes_in_a_day(position) > equilibration.max_rise_pct_per_day)
    if not under[-1]:
        return None
    broken = np.flatnonzero(~under)
    first = int(broken[-1]) + 1 if len(broken) else 0
    return float(position.series.hour_s[first])
