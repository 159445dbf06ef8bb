"""The verdict on a slab or element as a value: facts only, the sentences are made from them elsewhere."""

from __future__ import annotations

from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field

from monitord.model.quantity import Quantity
from monitord.model.readings import UtcTime

_FROZEN = ConfigDict(frozen=True, extra="forbid")


class Outcome(StrEnum):
    """Of one criterion."""

    PASS = "pass"
    FAIL = "fail"
    NOT_YET = "not_yet"
    """A clock runs: time alone can make it pass."""
    CANNOT_SAY = "cannot_say"
    """Not known; it never counts as passed."""


class Criterion(StrEnum):
    """What is asked; the words of a criteria file's tables."""

    CRITERIA = "criteria"
    """That the criteria which the job names are there at all."""
    DEPTH = "depth"
    POSITIONS = "positions"
    EQUILIBRATION = "equilibration"
    SERVICE = "service"
    HEATING = "heating"
    CALIBRATION = "calibration"
    PROBE = "probe"
    LIMIT = "limit"
    HELD = "held"
    REWETTING = "rewetting"
    SPOT = "spot"
    """Goal by spot readings, where a position has one; no table of a criteria file."""


class Reason(StrEnum):
    """Why the outcome is what it is: with the facts beside it, enough for a sentence."""

    MET = "met"
    CRITERIA_UNKNOWN = "criteria_unknown"
    DEPTH_OFF = "depth_off"
    DEPTH_UNKNOWN = "depth_unknown"
    TOO_FEW = "too_few"
    AREA_UNKNOWN = "area_unknown"
    SEALING_UNKNOWN = "sealing_unknown"
    NO_READINGS = "no_readings"
    CLOCK_RUNS = "clock_runs"
    STILL_MOVES = "still_moves"
    ROOM_UNKNOWN = "room_unknown"
    SERVICE_UNSTATED = "service_unstated"
    OUT_OF_SERVICE = "out_of_service"
    SERVICE_RUNS = "service_runs"
    AIDS_ON_OR_UNKNOWN = "aids_on_or_unknown"
    AIDS_OFF_RUNS = "aids_off_runs"
    CHECK_UNKNOWN = "check_unknown"
    CHECK_TOO_OLD = "check_too_old"
    CHECK_TOO_OLD_BEFORE_USE = "check_too_old_before_use"
    FAULT = "fault"
    SILENT = "silent"
    ACCURACY_TOO_WIDE = "accuracy_too_wide"
    LIMIT_UNKNOWN = "limit_unknown"
    NOT_EQUILIBRATED = "not_equilibrated"
    OVER_LIMIT = "over_limit"
    WITHIN_GUARD_BAND = "within_guard_band"
    NOT_HELD = "not_held"
    HOLD_RUNS = "hold_runs"
    GETTING_WET = "getting_wet"
    WETTING_UNKNOWN = "wetting_unknown"
    SPOT_NOT_MEASURED = "spot_not_measured"
    SPOT_NO_CONTROL = "spot_no_control"
    SPOT_OTHER_INSTRUMENT = "spot_other_instrument"
    SPOT_WITHIN_UNCERTAINTY = "spot_within_uncertainty"


class PositionValue(BaseModel):
    """What one position contributes to a criterion."""

    model_config = _FROZEN

    location: str
    outcome: Outcome
    reason: Reason
    measured: Quantity | None = None
    limit: Quantity | None = None
    """What it was held against, where that is one number."""
    at: UtcTime | None = None
    """When it was measured, or since when it has held."""
    probability: float | None = None
    """That the true value conforms (JCGM 106:2012, 7), 0..1."""
    earliest: UtcTime | None = None
    """When it could pass at the earliest, by clocks alone; None: passed."""


class CriterionResult(BaseModel):
    """One criterion: the outcome, and what of every position led to it. The worst position decides."""

    model_config = _FROZEN

    criterion: Criterion
    outcome: Outcome
    source: str = ""
    """Document and clause of the rule."""
    confirm: bool = False
    """Confirm the rule's value in the edition you work to."""
    positions: tuple[PositionValue, ...] = Field(min_length=1)

    @property
    def decisive(self) -> PositionValue:
        """The first position with the outcome of the whole."""
        return next(value for value in self.positions if value.outcome is self.outcome)

    @property
    def earliest(self) -> UtcTime | None:
        """When the last of its positions could pass at the earliest, by clocks alone; None: passed."""
        return max((value.earliest for value in self.positions if value.earliest is not None), default=None)


class Verdict(StrEnum):
    """Of a slab or element."""

    READY = "ready"
    NOT_READY = "not_ready"
    CANNOT_SAY = "cannot_say"


class Readiness(BaseModel):
    """The verdict on one slab or element as of a time."""

    model_config = _FROZEN

    element: str
    """Id of the slab, or of the location."""
    is_slab: bool
    locations: tuple[str, ...]
    criteria: str
    """Id of the criteria."""
    as_of: UtcTime
    verdict: Verdict
    results: tuple[CriterionResult, ...]
    limit_is_default: bool = False
    """The limit is the default of the criteria: the covering's manufacturer's own was not given."""
    earliest: UtcTime | None = None
    """The earliest date that it could be ready, by clocks alone; None: it is."""
    not_before: UtcTime | None = None
    """By the forecast's low end, if that is later than `earliest`; it only ever widens, and never makes ready."""

    @property
    def missing(self) -> tuple[str, ...]:
        """The criteria that do not pass."""
        return tuple(r.criterion.value for r in self.results if r.outcome is not Outcome.PASS)


def worst(outcomes: list[Outcome]) -> Outcome:
    """The outcome of the whole from those of its parts: a known failure before a wait, a wait before not knowing."""
    for outcome in (Outcome.FAIL, Outcome.NOT_YET, Outcome.CANNOT_SAY):
        if outcome in outcomes:
            return outcome
    return Outcome.PASS


def verdict_of(results: tuple[CriterionResult, ...]) -> Verdict:
    """Ready only where every criterion is known to pass."""
    outcome = worst([result.outcome for result in results])
    if outcome is Outcome.PASS and results:
        return Verdict.READY
    return Verdict.CANNOT_SAY if outcome in (Outcome.CANNOT_SAY, Outcome.PASS) else Verdict.NOT_READY
