"""A slab or element with its positions and rules: what every criterion is given."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from monitord.analysis.readiness.positions import Position
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.model.jobs import JobFile
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import Criteria, Rule
from monitord.model.readiness.slabs import Slab
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason, worst
from monitord.model.series import HOUR_S


@dataclass(frozen=True)
class Element:
    """What is judged, as of a full hour."""

    job: JobFile
    id: str
    slab: Slab | None
    """None: an element other than a slab."""
    criteria: Criteria
    positions: tuple[Position, ...]
    room: HourlySeries | None
    """Air of the room as it will be used."""
    guard_factor: float
    calibration_valid_d: float
    hour_s: float

    @property
    def as_of(self) -> datetime:
        """The time of the verdict."""
        return utc(self.hour_s)

    def after(self, hours: float, start_s: float | None = None) -> datetime:
        """So many hours after a time, or from now; never in the past."""
        begin = self.hour_s if start_s is None else start_s
        return max(utc(begin) + timedelta(hours=hours), self.as_of)

    def held_for(self, where: str, since_s: float, hours: float, running: Reason) -> PositionValue:
        """Whether what began at a time has held for `hours` by now; `running` is the reason while it has not."""
        held_h = (self.hour_s - since_s) / HOUR_S
        enough = held_h >= hours
        return PositionValue(
            location=where,
            outcome=Outcome.PASS if enough else Outcome.NOT_YET,
            reason=Reason.MET if enough else running,
            measured=Quantity(value=held_h, unit="h"),
            limit=Quantity(value=hours, unit="h"),
            at=utc(since_s),
            earliest=None if enough else self.after(hours, since_s),
        )

    @property
    def min_restart_h(self) -> float:
        """Least time from a new hole, or a new probe in it, to a verdict. [h]"""
        rule, held = self.criteria.equilibration, self.criteria.held
        clock = rule.clock_h if rule is not None and any(p.sealed for p in self.positions) else 0.0
        return clock + (0.0 if held is None else held.hours)


def result(criterion: Criterion, rule: Rule, values: list[PositionValue]) -> CriterionResult:
    """The criterion's outcome: that of its worst position."""
    return CriterionResult(
        criterion=criterion,
        outcome=worst([value.outcome for value in values]),
        source=rule.source,
        confirm=rule.confirm,
        positions=tuple(values),
    )
