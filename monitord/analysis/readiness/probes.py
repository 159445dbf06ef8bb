"""May each position's probe be believed: reporting, without a fault, and accurate enough?"""

from __future__ import annotations

from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.positions import Position
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import ProbeRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason


def evaluate(element: Element, rule: ProbeRule) -> CriterionResult:
    """Silence, faults and stated accuracy of each position's probe."""
    return result(Criterion.PROBE, rule, [_one(element, rule, position) for position in element.positions])


def _one(element: Element, rule: ProbeRule, position: Position) -> PositionValue:
    where, placement = position.location.id, position.placement
    silent = position.silent_since(element.hour_s)
    if placement is None or silent is not None:
        return PositionValue(
            location=where,
            outcome=Outcome.CANNOT_SAY,
            reason=Reason.SILENT,
            at=silent,
            earliest=element.as_of,
        )
    holding = [flag for flag in position.flags if flag.end is None and flag.probe == placement.probe]
    if holding:
        return PositionValue(
            location=where,
            outcome=Outcome.CANNOT_SAY,
            reason=Reason.FAULT,
            at=min(flag.start for flag in holding),
            earliest=element.after(element.min_restart_h),
        )
    accuracy = placement.accuracy.relative_humidity_pct
    checks = [c for c in element.job.calibrations if c.probe == placement.probe and c.at <= element.as_of]
    for check in sorted(checks, key=lambda c: c.at):
        accuracy = accuracy if check.accuracy is None else check.accuracy.relative_humidity_pct
    wide = rule.max_accuracy_pct is not None and accuracy > rule.max_accuracy_pct
    return PositionValue(
        location=where,
        outcome=Outcome.FAIL if wide else Outcome.PASS,
        reason=Reason.ACCURACY_TOO_WIDE if wide else Reason.MET,
        measured=Quantity(value=accuracy, unit="% RH"),
        limit=None if rule.max_accuracy_pct is None else Quantity(value=rule.max_accuracy_pct, unit="% RH"),
        at=element.as_of,
        earliest=element.after(element.min_restart_h) if wide else None,
    )
