"""The goal by spot readings, of the positions that have one: by the newest reading up to the time of the verdict."""

from __future__ import annotations

from monitord.analysis.readiness.element import Element
from monitord.model.jobs import Location
from monitord.model.quantity import Quantity
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason, worst
from monitord.model.site.spots import SCALES, SPOT_GOAL_SOURCE

_CAN_NOT_SAY = {
    "not_measured": Reason.SPOT_NOT_MEASURED,
    "no_control": Reason.SPOT_NO_CONTROL,
    "other_instrument": Reason.SPOT_OTHER_INSTRUMENT,
    "within_uncertainty": Reason.SPOT_WITHIN_UNCERTAINTY,
}


def evaluate(element: Element) -> CriterionResult | None:
    """Each position with such a goal; None where none has one."""
    asked = [position.location for position in element.positions if position.location.spot_goal is not None]
    values = [_one(element, location) for location in asked]
    if not values:
        return None
    outcome = worst([value.outcome for value in values])
    return CriterionResult(criterion=Criterion.SPOT, outcome=outcome, source=SPOT_GOAL_SOURCE, positions=tuple(values))


def _one(element: Element, location: Location) -> PositionValue:
    goal, found = location.spot_goal, element.job.spots_against_goal(location, element.as_of)
    assert goal is not None
    assert found is not None
    if found.met is None:
        outcome, reason = Outcome.CANNOT_SAY, _CAN_NOT_SAY[found.why]
    else:
        outcome, reason = (Outcome.PASS, Reason.MET) if found.met else (Outcome.FAIL, Reason.OVER_LIMIT)
    unit, measured = SCALES[goal.kind].unit, None
    if found.spot is not None and (goal.control is None or found.met is not None):
        beside = 0.0 if found.control is None else found.control.corrected
        measured = Quantity(value=found.spot.corrected - beside, unit=unit)
    return PositionValue(
        location=location.id,
        outcome=outcome,
        reason=reason,
        measured=measured,
        limit=Quantity(value=goal.limit, unit=unit),
        at=None if found.spot is None else found.spot.at,
        earliest=None if found.met else element.as_of,
    )
