"""No position may be getting wet again."""

from __future__ import annotations

from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.positions import Position
from monitord.model.facts import Truth
from monitord.model.jobs import LocationKind
from monitord.model.readiness.criteria import RewettingRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason


def evaluate(element: Element, rule: RewettingRule) -> CriterionResult | None:
    """By the finding about each position; None where none of them is monitored for it (surfaces)."""
    monitored = [p for p in element.positions if p.location.kind is not LocationKind.SURFACE]
    if not monitored:
        return None
    return result(Criterion.REWETTING, rule, [_one(element, position) for position in monitored])


def _one(element: Element, position: Position) -> PositionValue:
    where, wet = position.location.id, position.wet
    if wet is None or wet.truth is Truth.UNKNOWN:
        outcome, reason = Outcome.CANNOT_SAY, Reason.WETTING_UNKNOWN
    elif wet.holds:
        outcome, reason = Outcome.FAIL, Reason.GETTING_WET
    else:
        outcome, reason = Outcome.PASS, Reason.MET
    return PositionValue(
        location=where,
        outcome=outcome,
        reason=reason,
        at=None if wet is None else wet.since or wet.measured_at,
        earliest=None if outcome is Outcome.PASS else element.after(0.0),
    )
