"""Depth of the sleeves as a share of the slab's thickness, by the faces that it dries from."""

from __future__ import annotations

from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.positions import Position
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import DepthRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason


def evaluate(element: Element, rule: DepthRule) -> CriterionResult:
    """Each sleeve's depth against the share that the method asks for."""
    return result(Criterion.DEPTH, rule, [_one(element, rule, position) for position in element.positions])


def _one(element: Element, rule: DepthRule, position: Position) -> PositionValue:
    where = position.location
    depth, thickness, sides = where.depth_mm, where.slab_thickness_mm, where.drying_sides
    if depth is None or thickness is None or sides is None:
        return PositionValue(
            location=where.id, outcome=Outcome.CANNOT_SAY, reason=Reason.DEPTH_UNKNOWN, earliest=element.as_of
        )
    share, wanted = depth / thickness, rule.wanted(sides)
    right = abs(share - wanted) <= rule.tolerance_share + 1e-9
    return PositionValue(
        location=where.id,
        outcome=Outcome.PASS if right else Outcome.FAIL,
        reason=Reason.MET if right else Reason.DEPTH_OFF,
        measured=Quantity(value=depth, unit="mm"),
        limit=Quantity(value=wanted * thickness, u=rule.tolerance_share * thickness, unit="mm"),
        at=where.installed_at,
        earliest=None if right else element.after(element.min_restart_h),
    )
