"""Number of positions by area."""

from __future__ import annotations

from monitord.analysis.readiness.element import Element, result
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import PositionsRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason


def evaluate(element: Element, rule: PositionsRule) -> CriterionResult:
    """The number of positions against what the area asks for."""
    area = None if element.slab is None else element.slab.area_m2
    count = Quantity(value=len(element.positions), unit="1")
    if area is None:
        value = PositionValue(
            location=element.id,
            outcome=Outcome.CANNOT_SAY,
            reason=Reason.AREA_UNKNOWN,
            measured=count,
            earliest=element.as_of,
        )
        return result(Criterion.POSITIONS, rule, [value])
    wanted = rule.wanted(area)
    enough = len(element.positions) >= wanted
    value = PositionValue(
        location=element.id,
        outcome=Outcome.PASS if enough else Outcome.FAIL,
        reason=Reason.MET if enough else Reason.TOO_FEW,
        measured=count,
        limit=Quantity(value=wanted, unit="1"),
        earliest=None if enough else element.after(element.min_restart_h),
    )
    return result(Criterion.POSITIONS, rule, [value])
