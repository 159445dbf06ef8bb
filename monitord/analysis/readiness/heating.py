"""Drying aids and floor heating off for long enough before the reading."""

from __future__ import annotations

from monitord.analysis.readiness.element import Element, result
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import HeatingRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason
from monitord.model.series import HOUR_S


def evaluate(element: Element, rule: HeatingRule) -> CriterionResult:
    """By what the job says of when they were turned off: no probe measures it."""
    off_at = None if element.slab is None else element.slab.drying_aids_off_at
    limit = Quantity(value=rule.off_h, unit="h")
    if off_at is None or off_at > element.as_of:
        value = PositionValue(
            location=element.id,
            outcome=Outcome.CANNOT_SAY,
            reason=Reason.AIDS_ON_OR_UNKNOWN,
            limit=limit,
            earliest=element.after(rule.off_h, None if off_at is None else off_at.timestamp()),
        )
        return result(Criterion.HEATING, rule, [value])
    off_h = (element.hour_s - off_at.timestamp()) / HOUR_S
    enough = off_h >= rule.off_h
    value = PositionValue(
        location=element.id,
        outcome=Outcome.PASS if enough else Outcome.NOT_YET,
        reason=Reason.MET if enough else Reason.AIDS_OFF_RUNS,
        measured=Quantity(value=off_h, unit="h"),
        limit=limit,
        at=off_at,
        earliest=None if enough else element.after(rule.off_h, off_at.timestamp()),
    )
    return result(Criterion.HEATING, rule, [value])
