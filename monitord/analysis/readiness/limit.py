"""The value of each position against its limit, its uncertainty counted against the slab (JCGM 106:2012)."""

from __future__ import annotations

import numpy as np

from monitord.analysis.readiness.conformance import acceptance_limit, conformance_probability
from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.equilibration import assess_position as assess_equilibration
from monitord.analysis.readiness.positions import Position
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import LimitRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason


def evaluate(element: Element, rule: LimitRule) -> CriterionResult:
    """Each position's mean against limit and guard band."""
    return result(Criterion.LIMIT, rule, [_one(element, position) for position in element.positions])


def _one(element: Element, position: Position) -> PositionValue:
    where, metric, limit = position.location.id, position.metric, position.limit
    if limit is None:
        return PositionValue(
            location=where, outcome=Outcome.CANNOT_SAY, reason=Reason.LIMIT_UNKNOWN, earliest=element.as_of
        )
    equilibration = element.criteria.equilibration
    if position.sealed and equilibration is not None:
        settled = assess_equilibration(element, equilibration, position)
        if settled.outcome is not Outcome.PASS:  # no verdict early: there is no value yet, only a prediction
            return PositionValue(
                location=where, outcome=settled.outcome, reason=Reason.NOT_EQUILIBRATED, earliest=settled.earliest
            )
    value = float(position.mean[-1]) if len(position.mean) else float("nan")
    if metric is None or not np.isfinite(value):
        return PositionValue(
            location=where, outcome=Outcome.CANNOT_SAY, reason=Reason.NO_READINGS, earliest=element.as_of
        )
    accepted = acceptance_limit(limit, position.u, element.guard_factor)
    met = value <= accepted
    reason = Reason.MET if met else Reason.WITHIN_GUARD_BAND if value <= limit else Reason.OVER_LIMIT
    held = element.criteria.held
    return PositionValue(
        location=where,
        outcome=Outcome.PASS if met else Outcome.FAIL,
        reason=reason,
        measured=Quantity(value=value, u=position.u, unit=metric.unit),
        limit=Quantity(value=limit, u=limit - accepted, unit=metric.unit),
        at=element.as_of,
        probability=conformance_probability(value, position.u, limit),
        earliest=None if met else element.after(0.0 if held is None else held.hours),
    )
