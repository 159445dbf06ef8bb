"""Rules: which value opens an alert, which closes it, and how long each must hold.

A rule is data. `AlertRules` holds one for every kind of finding, with overrides for a job, a location or a kind;
`monitord.alerts.lifecycle.rule_files` reads it from a file. Nothing here reads a clock or a file.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from monitord.errors import ConfigurationError
from monitord.model.alerts import Severity
from monitord.model.assessments import Finding
from monitord.model.facts import Truth
from monitord.model.readings import Finite

_STRICT = ConfigDict(frozen=True, extra="forbid")
_RANK = {Severity.NOTE: 0, Severity.WATCH: 1, Severity.ACT: 2}

Seconds = Annotated[float, Field(ge=0, le=90 * 86_400, allow_inf_nan=False)]


class SeverityStep(BaseModel):
    """A worse value that makes an alert more severe."""

    model_config = _STRICT

    raise_at: Finite
    """From this value on the alert has this severity. [unit of the rule]"""
    clear_at: Finite
    """It keeps the severity until the value is back past this limit. [unit of the rule]"""
    severity: Severity


class Rule(BaseModel):
    """When one kind of finding opens and closes an alert.

    A rule without limits takes the finding's own truth: the analysis decides, the rule adds how long and how urgent.
    With limits they decide. With `above` the condition begins when the value is at or over `raise_at` and ends when it
    is under `clear_at`; without, it begins at or under `raise_at` and ends over `clear_at`. Between the two limits
    nothing changes.
    """

    model_config = _STRICT

    kind: str
    unit: str = ""
    """Unit of the limits, as the finding gives its value; `1` for a share or probability; empty without limits."""
    about: str = ""
    """What the rule watches, in words, and where its limits come from."""
    enabled: bool = True
    above: bool = True
    raise_at: Finite | None = None
    clear_at: Finite | None = None
    hold_s: Seconds = 0.0
    """Measured time for which the condition must hold before the alert opens. [s]"""
    clear_hold_s: Seconds = 0.0
    """Measured time for which it must be past the clear limit before the alert closes. [s]"""
    minimum_readings: Annotated[int, Field(ge=1, le=1000)] = 1
    """Readings, or different measured times, that must bear the condition out before the alert opens."""
    max_gap_s: Annotated[float, Field(gt=0, le=90 * 86_400, allow_inf_nan=False)] = 3 * 3600.0
    """A longer time without a known value starts the hold times again. [s]"""
    max_gap_intervals: Annotated[float, Field(ge=1, le=100)] = 4.0
    """The same in reporting intervals of the probe, where they are known; the longer of the two counts."""
    since_fills_hold: bool = False
    """Whether the finding's own `since` counts as time held (then queued readings fill a gap in the record)."""
    severity: Severity = Severity.WATCH
    severity_steps: tuple[SeverityStep, ...] = ()
    severity_without_outdoor: Severity | None = None
    """Severity where no outdoor probe reported, so that weather can't be told from water; None: as always."""
    flap_openings: Annotated[int, Field(ge=2, le=100)] = 4
    """An alert that opens this often within `flap_window_s` is coming and going ..."""
    flap_window_s: Seconds = 86_400.0
    flap_clear_hold_s: Seconds = 6 * 3600.0
    """... and then closes only after having been clear for this long. [s]"""

    @model_validator(mode="after")
    def _limits_in_order(self) -> Self:
        if self.raise_at is None or self.clear_at is None:
            if (self.raise_at, self.clear_at) != (None, None) or self.severity_steps:
                raise ValueError("a rule has both limits, raise_at and clear_at, or neither and no severity_steps")
            return self
        if (self.clear_at > self.raise_at) if self.above else (self.clear_at < self.raise_at):
            side = "at or under" if self.above else "at or over"
            raise ValueError(
                f"clear_at {self.clear_at:g} must be {side} raise_at {self.raise_at:g}, "
                "or the alert would close while its condition still holds; correct one of the two"
            )
        self._steps_in_order(self.raise_at)
        return self

    def _steps_in_order(self, raise_at: float) -> None:
        last, rank = raise_at, _RANK[self.severity]
        for step in self.severity_steps:
            worse = step.raise_at >= last if self.above else step.raise_at <= last
            cleared = step.clear_at <= step.raise_at if self.above else step.clear_at >= step.raise_at
            if not worse or _RANK[step.severity] <= rank:
                raise ValueError(
                    f"severity_steps: the step {step.severity} at {step.raise_at:g} is not worse than what comes "
                    "before it; list the steps from mild to severe, each with a worse value and a higher severity"
                )
            if not cleared:
                raise ValueError(
                    f"severity_steps: clear_at {step.clear_at:g} of the step {step.severity} lies beyond its "
                    f"raise_at {step.raise_at:g}; correct one of the two"
                )
            last, rank = step.raise_at, _RANK[step.severity]

    def evaluate(self, finding: Finding, holds: bool) -> Truth:
        """Whether the condition holds by a finding, given whether it held before (between the limits it stays)."""
        if finding.truth is not None:
            return finding.truth
        value, limit = finding.value, self.clear_at if holds else self.raise_at
        if value is None or math.isnan(value) or limit is None:
            return Truth.UNKNOWN
        if self.above:
            return Truth.TRUE if value >= limit else Truth.FALSE
        return Truth.TRUE if value <= limit else Truth.FALSE

    def worse(self, a: Finding, b: Finding) -> bool:
        """Whether finding `a` is worse than `b`: further past the limit; without limits by the value of its facts.

        Readings that are excluded are worse than any that still count.
        """
        if a.facts.excluded is not b.facts.excluded:
            return bool(a.facts.excluded)
        x, y = _number(a), _number(b)
        if x is None or y is None:
            return x is not None
        return x > y if self.above else x < y

    def severity_for(self, finding: Finding, current: Severity | None = None) -> Severity:
        """How severe a finding is: milder where what would tell weather from water was not measured."""
        if self.severity_without_outdoor is not None and finding.facts.outdoor_known is False:
            return self.severity_without_outdoor
        return self.severity_of(finding.value, current)

    def severity_of(self, value: float | None, current: Severity | None = None) -> Severity:
        """How severe a value is; `current` is kept until the value is back past the clear limit of its step."""
        severity = self.severity
        if value is None:
            return severity
        for step in self.severity_steps:
            held = current is not None and _RANK[current] >= _RANK[step.severity]
            limit = step.clear_at if held else step.raise_at
            if (value >= limit) if self.above else (value <= limit):
                severity = step.severity
        return severity

    def gap_limit_s(self, interval_s: float | None) -> float:
        """The longest time between two known values that is not a gap. [s]"""
        return max(self.max_gap_s, self.max_gap_intervals * interval_s) if interval_s else self.max_gap_s


def _number(finding: Finding) -> float | None:
    """What a finding is compared by."""
    if finding.truth is None:
        return finding.value
    return None if finding.facts.value is None else finding.facts.value.value


def more_severe(a: Severity, b: Severity) -> bool:
    """Whether `a` is more severe than `b`."""
    return _RANK[a] > _RANK[b]


def severity_rank(severity: Severity) -> int:
    """0 for a note, 1 for watch, 2 for act."""
    return _RANK[severity]


class Override(BaseModel):
    """Other settings of one rule for a job, a location, or both."""

    model_config = _STRICT

    kind: str
    job: str | None = None
    location: str | None = None
    change: dict[str, object]
    """The rule's keys with their other values."""

    @property
    def scope(self) -> tuple[str, str | None, str | None]:
        """What it is for; two overrides may not have the same."""
        return self.kind, self.job, self.location

    def covers(self, kind: str, job: str, location: str | None) -> bool:
        """Whether it is for this kind at this place."""
        return self.kind == kind and self.job in (None, job) and self.location in (None, location)


class AlertRules:
    """One rule for each kind, and the overrides; the most particular wins (location, then job, then both)."""

    def __init__(self, rules: Iterable[Rule], overrides: Iterable[Override] = ()) -> None:
        self._rules: Mapping[str, Rule] = {rule.kind: rule for rule in rules}
        self._overrides = sorted(overrides, key=lambda o: (o.job is not None, o.location is not None))
        self._found: dict[tuple[str, str, str | None], Rule | None] = {}
        for override in self._overrides:
            if override.kind in self._rules:
                self._changed(self._rules[override.kind], override)

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of finding that have a rule, in alphabetical order."""
        return tuple(sorted(self._rules))

    @property
    def overrides(self) -> tuple[Override, ...]:
        """The overrides, from general to particular."""
        return tuple(self._overrides)

    def rule_for(self, kind: str, job: str, location: str | None) -> Rule | None:
        """The rule that holds for a kind at a location; None where the kind has none or it is switched off."""
        key = (kind, job, location)
        if key not in self._found:
            self._found[key] = self._look_up(kind, job, location)
        return self._found[key]

    def _look_up(self, kind: str, job: str, location: str | None) -> Rule | None:
        rule = self._rules.get(kind)
        if rule is None:
            return None
        for override in self._overrides:
            if override.covers(kind, job, location):
                rule = self._changed(rule, override)
        return rule if rule.enabled else None

    @staticmethod
    def _changed(rule: Rule, override: Override) -> Rule:
        try:
            return Rule.model_validate({**rule.model_dump(), **override.change})
        except ValueError as error:
            location = " ".join(f"{k} {v}" for k, v in (("job", override.job), ("location", override.location)) if v)
            raise ConfigurationError(
                str(error), where=f"override of {override.kind} for {location}", remedy="Mend the override"
            ) from error
