"""The life of alerts as one pure function: alerts and findings in, changed alerts and events out.

A finding is true, false or unknown; unknown holds whatever state there is. Hold times run on the time of the
measurements, so a gap in the record counts for nothing, and `as_of` only dates the decision. The result depends on
the arguments alone and not on the order of the findings: after a restart the same alerts go on where they were.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from monitord.alerts.lifecycle.rules import AlertRules, Rule, more_severe
from monitord.alerts.lifecycle.transitions import (
    OPEN,
    Action,
    Decision,
    StepResult,
    acknowledge,
    amount,
    end_alerts,
    end_one,
    retire,
    span,
)
from monitord.model.alerts import Alert, AlertEvent, AlertStatus, Ending, Severity, fingerprint
from monitord.model.assessments import Finding
from monitord.model.facts import Truth

__all__ = ["Action", "Decision", "StepResult", "acknowledge", "end_alerts", "identity", "retire", "step"]

_KEPT = Decision(Action.KEPT, "the same finding as before")
_NOT_PAST = Decision(Action.NOTHING, "not past the raise limit")


def identity(job: str, finding: Finding) -> str:
    """The fingerprint of the alert that a finding belongs to."""
    about_gateway = finding.location is None and finding.probe is None
    return fingerprint(job, finding.kind, finding.location, finding.probe, finding.gateway if about_gateway else None)


def step(
    rules: AlertRules, alerts: Sequence[Alert], findings: Iterable[Finding], job: str, as_of: datetime
) -> StepResult:
    """Move the alerts of one job on by one assessment.

    Parameters
    ----------
    alerts : the latest episode of each alert of the job, in any order and state.
    findings : what the assessment found, in any order. An alert without a finding is held.
    job : id of the job, or `monitord.model.alerts.SYSTEM`.
    as_of : time of the assessment; it dates what is decided and is never compared with a hold time.
    """
    known = {alert.fingerprint: alert for alert in alerts}
    result = StepResult()
    for print_, finding in _one_each(job, findings).items():
        rule = rules.rule_for(finding.kind, job, finding.location)
        _advance(result, rule, known.get(print_), _Subject(print_, finding, as_of, job))
    result.alerts.sort(key=lambda alert: alert.fingerprint)
    result.events.sort(key=lambda event: event.fingerprint)  # stable: the order within one alert is kept
    return result


def _one_each(job: str, findings: Iterable[Finding]) -> dict[str, Finding]:
    """One finding for each alert: the newest, and of equally new ones the worst-known in a fixed order."""
    chosen: dict[str, Finding] = {}
    for finding in findings:
        print_ = identity(job, finding)
        other = chosen.get(print_)
        if other is None or _precedence(finding) > _precedence(other):
            chosen[print_] = finding
    return chosen


def _precedence(finding: Finding) -> tuple[datetime, bool, float, str]:
    return (
        finding.measured_at,
        finding.value is not None or finding.truth not in (None, Truth.UNKNOWN),
        finding.value if finding.value is not None else float(finding.holds),
        finding.facts.model_dump_json(),
    )


class _Subject(NamedTuple):
    """The finding that moves an alert, and as of when."""

    print_: str
    finding: Finding
    as_of: datetime
    job: str


def _advance(result: StepResult, rule: Rule | None, alert: Alert | None, subject: _Subject) -> None:
    is_open = alert is not None and alert.status in OPEN
    if rule is None:
        if alert is not None and (is_open or alert.status is AlertStatus.PENDING):
            end_one(result, alert, subject.as_of, "the rule for it was switched off", Ending.RULE_OFF)
        return
    verdict = rule.evaluate(subject.finding, is_open)
    if verdict is Truth.FALSE and (alert is None or alert.status is AlertStatus.CLOSED):
        result.decisions[subject.print_] = _NOT_PAST
        if alert is not None and alert.last_evaluated_at is None:  # it was ended for a while; now it is over
            result.alerts.append(alert.model_copy(update={"last_evaluated_at": subject.finding.measured_at}))
        return
    if alert is not None and _judged_already(alert, subject.finding, verdict):
        result.decisions[subject.print_] = _KEPT
        return
    move = _Move(result, rule, *subject)
    if alert is None or alert.status is AlertStatus.CLOSED:
        move.from_closed(alert, verdict)
    elif alert.last_evaluated_at is not None and subject.finding.measured_at < alert.last_evaluated_at:
        move.note(Action.HELD, "older than what was judged before: it is not news")
    elif verdict is Truth.UNKNOWN:
        move.hold(alert)
    elif is_open:
        move.from_open(alert, verdict)
    else:
        move.from_pending(alert, verdict)


def _judged_already(alert: Alert, finding: Finding, verdict: Truth) -> bool:
    """Whether an alert stands by this very finding, which holds: to judge it again would change nothing."""
    if alert.finding is not finding or verdict is not Truth.TRUE or alert.unknown_since is not None:
        return False
    return alert.status is AlertStatus.PENDING or (alert.status in OPEN and alert.clearing_since is None)


@dataclass(slots=True)
class _Move:
    """One finding that moves one alert."""

    result: StepResult
    rule: Rule
    print_: str
    finding: Finding
    as_of: datetime
    job: str

    def note(self, action: Action, reason: str) -> None:
        self.result.decisions[self.print_] = Decision(action, reason)

    def event(self, alert: Alert, name: str, detail: str) -> None:
        self.result.events.append(
            AlertEvent(fingerprint=self.print_, episode=alert.episode, at=self.as_of, event=name, detail=detail)
        )

    def change(self, alert: Alert, **update: object) -> Alert:
        changed = alert.model_copy(update=update)
        self.result.alerts.append(changed)
        return changed

    # -- closed ---------------------------------------------------------------------------------------------

    def from_closed(self, alert: Alert | None, verdict: Truth) -> None:
        if verdict is Truth.UNKNOWN:
            self.note(Action.NOTHING, "unknown: nothing is raised on missing data")
        elif alert is not None and alert.last_evaluated_at and self.finding.measured_at <= alert.last_evaluated_at:
            self.note(Action.NOTHING, "older than the closing: it is not news")
        else:
            self.consider_opening(self._again(alert, self._new(alert)), Action.STARTED)

    @staticmethod
    def _again(before: Alert | None, new: Alert) -> Alert:
        """A new episode goes on with the hold time of one that was ended for a while."""
        if before is None or before.last_evaluated_at is not None or before.pending_since is None:
            return new
        since = min(before.pending_since, new.pending_since or before.pending_since)
        readings = max(before.pending_readings, new.pending_readings)
        return new.model_copy(update={"pending_since": since, "pending_readings": readings})

    def _new(self, before: Alert | None) -> Alert:
        finding = self.finding
        episode = 1 if before is None else before.episode + (before.opened_at is not None)
        return Alert(
            fingerprint=self.print_,
            episode=episode,
            job=self.job,
            kind=finding.kind,
            location=finding.location,
            probe=finding.probe,
            gateway=finding.gateway,
            severity=self.rule.severity,
            status=AlertStatus.PENDING,
            pending_since=self._began(),
            pending_readings=max(1, finding.readings),
            last_evaluated_at=finding.measured_at,
            recent_openings=() if before is None else before.recent_openings,
            finding=finding,
        )

    def _began(self) -> datetime:
        """The measured time from which the present side of the limit is held to have lasted."""
        finding = self.finding
        if self.rule.since_fills_hold and finding.since is not None:
            return min(finding.since, finding.measured_at)
        return finding.measured_at

    def _gap(self, alert: Alert) -> bool:
        """Whether there was too long a time without a known value since the last one."""
        last = alert.last_evaluated_at
        if last is None or self._began() <= last:
            return False
        limit = self.rule.gap_limit_s(self.finding.interval_s)
        return (self.finding.measured_at - last).total_seconds() > limit

    # -- pending --------------------------------------------------------------------------------------------

    def from_pending(self, alert: Alert, verdict: Truth) -> None:
        if verdict is Truth.FALSE:
            self.change(
                alert,
                status=AlertStatus.CLOSED,
                closed_at=self.as_of,
                closing_reason="did not last",
                ending=Ending.DID_NOT_LAST,
                unknown_since=None,
                last_evaluated_at=self.finding.measured_at,
                finding=self.finding,
            )
            self.note(Action.DROPPED, "no longer past the raise limit before the hold time was over")
            return
        restart = self._gap(alert)
        self.consider_opening(self._further(alert, restart), Action.RESTARTED if restart else Action.WAITING)

    def _further(self, alert: Alert, restart: bool) -> Alert:
        finding, began = self.finding, self._began()
        if restart or alert.pending_since is None:
            since, readings = began, max(1, finding.readings)
        else:
            since = min(alert.pending_since, began)
            newer = alert.last_evaluated_at is None or finding.measured_at > alert.last_evaluated_at
            readings = max(alert.pending_readings + newer, finding.readings)
        return alert.model_copy(
            update={
                "pending_since": since,
                "pending_readings": readings,
                "last_evaluated_at": finding.measured_at,
                "unknown_since": None,
                "gateway": finding.gateway,
                "finding": finding,
            }
        )

    def consider_opening(self, alert: Alert, waiting: Action) -> None:
        """Open a pending alert if it has held long enough on enough readings."""
        rule, since = self.rule, alert.pending_since or self.finding.measured_at
        held_s = (self.finding.measured_at - since).total_seconds()
        if held_s < rule.hold_s:
            self.result.alerts.append(alert)
            self.note(waiting, f"held {span(held_s)} of {span(rule.hold_s)}")
        elif alert.pending_readings < rule.minimum_readings:
            self.result.alerts.append(alert)
            self.note(waiting, f"{alert.pending_readings} of {rule.minimum_readings} readings")
        else:
            self._open(alert, held_s)

    def _open(self, alert: Alert, held_s: float) -> None:
        rule, value = self.rule, self.finding.value
        window = self.as_of - timedelta(seconds=rule.flap_window_s)
        recent = (*(t for t in alert.recent_openings if t > window), self.as_of)[-rule.flap_openings :]
        past = "found"
        if rule.raise_at is not None:
            past = f"{amount(value, rule.unit)} is past the raise limit {amount(rule.raise_at, rule.unit)}"
        why = f"{past}, held {span(held_s)}" if held_s else past
        opened = self.change(
            alert,
            status=AlertStatus.OPEN,
            severity=rule.severity_for(self.finding),
            severity_since=self.as_of,
            opened_at=self.as_of,
            recent_openings=recent,
            opening=self.finding,
            worst=self.finding,
        )
        self.note(Action.OPENED, why)
        self.event(opened, "opened", why)
        if len(recent) >= rule.flap_openings:
            self.event(opened, "comes_and_goes", f"opened {len(recent)} times within {span(rule.flap_window_s)}")

    # -- open -----------------------------------------------------------------------------------------------

    def hold(self, alert: Alert) -> None:
        self.note(Action.HELD, "unknown: the state is held")
        if alert.unknown_since is None:
            held = self.change(alert, unknown_since=self.as_of)
            if alert.status in OPEN:
                self.event(held, "unknown", "no value to judge by; the state is held")

    def from_open(self, alert: Alert, verdict: Truth) -> None:
        finding = self.finding
        update: dict[str, object] = {
            "finding": finding,
            "last_evaluated_at": finding.measured_at,
            "unknown_since": None,
            "gateway": finding.gateway,
        }
        if alert.unknown_since is not None:
            self.event(alert, "known_again", "there is a value to judge by again")
        if verdict is Truth.TRUE:
            self._still_true(alert, update)
        else:
            self._clearing(alert, update)

    def _still_true(self, alert: Alert, update: dict[str, object]) -> None:
        severity = self.rule.severity_for(self.finding, alert.severity)
        update["clearing_since"] = None
        if alert.worst is None or self.rule.worse(self.finding, alert.worst):
            update["worst"] = self.finding
        self.note(Action.KEPT, "not past the clear limit")
        if severity is not alert.severity:
            update |= self._new_severity(alert, severity)
        self.change(alert, **update)

    def _new_severity(self, alert: Alert, severity: Severity) -> dict[str, object]:
        detail = f"from {alert.severity} to {severity} at {amount(self.finding.value, self.rule.unit)}"
        rises = more_severe(severity, alert.severity)
        self.event(alert, "severity_raised" if rises else "severity_lowered", detail)
        update: dict[str, object] = {"severity": severity, "severity_since": self.as_of}
        if rises and alert.status is AlertStatus.ACKNOWLEDGED:
            self.event(alert, "acknowledgement_ended", "it was given for a lesser severity")
            update |= {"status": AlertStatus.OPEN, "acknowledged_at": None}
            update |= {"acknowledged_by": None, "acknowledgement_note": None}
        return update

    def _clearing(self, alert: Alert, update: dict[str, object]) -> None:
        began = self._began()
        since = alert.clearing_since
        since = began if since is None or self._gap(alert) else min(since, began)
        held_s = (self.finding.measured_at - since).total_seconds()
        need_s = clear_hold_s(self.rule, alert, self.as_of)
        update["clearing_since"] = since
        if held_s < need_s:
            self.note(Action.CLEARING, f"clear for {span(held_s)} of {span(need_s)}")
            self.change(alert, **update)
            return
        unit = self.rule.unit
        why = "no longer found"
        if self.rule.clear_at is not None:
            why = f"{amount(self.finding.value, unit)} is past the clear limit {amount(self.rule.clear_at, unit)}"
        if need_s:
            why += f", held {span(held_s)}"
        update |= {"status": AlertStatus.CLOSED, "closed_at": self.as_of, "closing_reason": why, "cleared": True}
        self.note(Action.CLOSED, why)
        self.event(self.change(alert, **update), "closed", why)


def clear_hold_s(rule: Rule, alert: Alert, as_of: datetime) -> float:
    """How long the alert must be clear before it closes: longer when it comes and goes. [s]"""
    damped = comes_and_goes(rule, alert, as_of)
    return max(rule.clear_hold_s, rule.flap_clear_hold_s) if damped else rule.clear_hold_s


def comes_and_goes(rule: Rule, alert: Alert, as_of: datetime) -> bool:
    """Whether the alert opened so often lately that it is damped."""
    window = as_of - timedelta(seconds=rule.flap_window_s)
    return sum(t > window for t in alert.recent_openings) >= rule.flap_openings
