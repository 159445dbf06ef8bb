"""Age of the probes' calibration checks: before use as the method asks, and now as the job says."""

from __future__ import annotations

from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.positions import Position
from monitord.analysis.series.times import DAY_S
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import CalibrationRule
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason


def evaluate(element: Element, rule: CalibrationRule) -> CriterionResult:
    """The newest check of each position's probe."""
    return result(Criterion.CALIBRATION, rule, [_one(element, rule, position) for position in element.positions])


def _one(element: Element, rule: CalibrationRule, position: Position) -> PositionValue:
    where, placement = position.location.id, position.placement
    checked = None if placement is None else element.job.checked_at(placement, element.as_of)
    if placement is None or checked is None:
        return PositionValue(
            location=where, outcome=Outcome.CANNOT_SAY, reason=Reason.CHECK_UNKNOWN, earliest=element.as_of
        )
    age_d = (element.hour_s - checked.timestamp()) / DAY_S
    before_use_d = max(0.0, (placement.from_time - checked).total_seconds() / DAY_S)
    limit_d = rule.max_age_before_use_d
    if limit_d is not None and before_use_d > limit_d:
        reason, measured, limit = Reason.CHECK_TOO_OLD_BEFORE_USE, before_use_d, limit_d
    elif age_d > element.calibration_valid_d:
        reason, measured, limit = Reason.CHECK_TOO_OLD, age_d, element.calibration_valid_d
    else:
        reason, measured, limit = Reason.MET, age_d, element.calibration_valid_d
    met = reason is Reason.MET
    return PositionValue(
        location=where,
        outcome=Outcome.PASS if met else Outcome.FAIL,
        reason=reason,
        measured=Quantity(value=measured, unit="d"),
        limit=Quantity(value=limit, unit="d"),
        at=checked,
        earliest=None if met else element.as_of,
    )
