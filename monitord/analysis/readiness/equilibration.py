"""Has each sealed position come to equilibrium: the method's clock, and no drift beyond its limit?"""

from __future__ import annotations

import numpy as np

from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.parameters import READINESS
from monitord.analysis.readiness.positions import Position, changes_in_a_day
from monitord.analysis.series.times import utc
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import EquilibrationRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason
from monitord.model.series import HOUR_S


def evaluate(element: Element, rule: EquilibrationRule) -> CriterionResult:
    """Clock and drift of each sealed position."""
    sealed = [position for position in element.positions if position.sealed]
    return result(Criterion.EQUILIBRATION, rule, [assess_position(element, rule, position) for position in sealed])


def assess_position(element: Element, rule: EquilibrationRule, position: Position) -> PositionValue:
    """Clock and drift of one sealed position."""
    where = position.location.id
    if position.clock_s is None or position.settled is None:
        known = position.location.sealed_at is not None or position.location.installed_at is not None
        reason = Reason.NO_READINGS if known else Reason.SEALING_UNKNOWN
        return PositionValue(
            location=where, outcome=Outcome.CANNOT_SAY, reason=reason, earliest=element.after(rule.clock_h)
        )
    age_h = (element.hour_s - position.clock_s) / HOUR_S
    measured, limit = Quantity(value=age_h, unit="h"), Quantity(value=rule.clock_h, unit="h")
    if age_h < rule.clock_h:
        return PositionValue(
            location=where,
            outcome=Outcome.NOT_YET,
            reason=Reason.CLOCK_RUNS,
            measured=measured,
            limit=limit,
            at=utc(position.clock_s),
            earliest=element.after(rule.clock_h, position.clock_s),
        )
    change = change_in_a_day(position)
    most = rule.max_fall_pct_per_day if change is not None and change < 0.0 else rule.max_rise_pct_per_day
    calm = change is None or abs(change) <= most
    if position.settled.equilibrated and calm:
        return PositionValue(
            location=where,
            outcome=Outcome.PASS,
            reason=Reason.MET,
            measured=measured,
            limit=limit,
            at=utc(position.clock_s),
        )
    return PositionValue(
        location=where,
        outcome=Outcome.NOT_YET,
        reason=Reason.STILL_MOVES,
        measured=None if change is None else Quantity(value=change, unit="% RH/day"),
        limit=Quantity(value=most, unit="% RH/day"),
        at=utc(position.clock_s),
        earliest=element.after(24.0 if change is None or not calm else READINESS.look_again_h),
    )


def change_in_a_day(position: Position) -> float | None:
    """Change of the humidity in a day, cleaned of what temperature does to sealed concrete; None: too few hours. [%]"""
    changes = changes_in_a_day(position)
    return float(changes[-1]) if len(changes) and np.isfinite(changes[-1]) else None
