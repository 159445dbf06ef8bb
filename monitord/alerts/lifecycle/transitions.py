"""What can be done to an alert besides judging it by a value, and how a step reports what it did."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from monitord.model.alerts import Alert, AlertEvent, AlertStatus, Ending
from monitord.model.jobs import JobFile

OPEN = frozenset({AlertStatus.OPEN, AlertStatus.ACKNOWLEDGED})
"""An alert that was told, or will be, and has not ended."""

SHARES = frozenset({"1", "probability"})
"""Units of a number from 0 to 1."""


OF_A_GOAL = frozenset({"drying_stalled", "goal_unreachable", "goal_reached", "forecast_slipping"})
"""Kinds that are found only where a location has a goal."""


class Action(StrEnum):
    """What a step did to an alert."""

    NOTHING = "nothing"
    STARTED = "started"
    RESTARTED = "restarted"
    WAITING = "waiting"
    DROPPED = "dropped"
    OPENED = "opened"
    KEPT = "kept"
    HELD = "held"
    CLEARING = "clearing"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Decision:
    """What was done with one finding, and why."""

    action: Action
    reason: str


@dataclass(slots=True)
class StepResult:
    """What a step changed."""

    alerts: list[Alert] = field(default_factory=list)
    """Only those that changed, by fingerprint."""
    events: list[AlertEvent] = field(default_factory=list)
    decisions: dict[str, Decision] = field(default_factory=dict)
    """Fingerprint to what was decided and why, for every finding that has a rule."""


def end_one(
    result: StepResult,
    alert: Alert,
    as_of: datetime,
    reason: str,
    ending: Ending,
    by: str | None = None,
    *,
    for_a_while: bool = False,
) -> None:
    """End one pending or open alert for a reason that is not a measured value.

    `for_a_while`: what still holds after it is raised at once, on the same measurements and without a new hold time.
    """
    ended = alert.model_copy(
        update={
            "status": AlertStatus.CLOSED,
            "closed_at": as_of,
            "closing_reason": reason,
            "ending": ending,
            "ended_by": by,
            "clearing_since": None,
            "unknown_since": None,
            "last_evaluated_at": None if for_a_while else alert.last_evaluated_at,
        }
    )
    result.alerts.append(ended)
    result.decisions[alert.fingerprint] = Decision(Action.CLOSED, reason)
    if alert.status in OPEN:
        result.events.append(
            AlertEvent(fingerprint=alert.fingerprint, episode=alert.episode, at=as_of, event="closed", detail=reason)
        )


def end_alerts(
    alerts: Iterable[Alert],
    as_of: datetime,
    reason: str,
    ending: Ending = Ending.JOB_ENDED,
    by: str | None = None,
    *,
    for_a_while: bool = False,
) -> StepResult:
    """End every alert that is pending or open, with a word why: the job was closed, or paused by someone."""
    result = StepResult()
    for alert in sorted(alerts, key=lambda a: a.fingerprint):
        if alert.status is not AlertStatus.CLOSED:
            end_one(result, alert, as_of, reason, ending, by, for_a_while=for_a_while)
    return result


def retire(job: JobFile, alerts: Iterable[Alert], as_of: datetime) -> StepResult:
    """End the job's alerts about what is no longer there: a location or goal taken out, a probe moved or taken away.

    Without this they would be held open for ever, since nothing will be found about them again.
    """
    result = StepResult()
    for alert in sorted(alerts, key=lambda a: a.fingerprint):
        gone = None if alert.status is AlertStatus.CLOSED else _gone(job, alert, as_of)
        if gone is not None:
            end_one(result, alert, as_of, *gone)
    return result


def _gone(job: JobFile, alert: Alert, as_of: datetime) -> tuple[str, Ending] | None:
    """What an alert is about and the job no longer has; None: all of it is there."""
    location = next((location for location in job.locations if location.id == alert.location), None)
    if alert.location is not None and location is None:
        return f"location {alert.location} was taken out of the job", Ending.LOCATION_REMOVED
    if location is not None and location.goal is None and alert.kind in OF_A_GOAL:
        return f"location {location.id} has no goal any more", Ending.GOAL_REMOVED
    if alert.probe is None:
        return None
    placements = [placement for placement in job.probes if placement.probe == alert.probe and placement.covers(as_of)]
    if alert.location is not None and not any(placement.location_id == alert.location for placement in placements):
        return f"probe {alert.probe} is no longer at {alert.location}", Ending.PROBE_REMOVED
    if not placements:
        return f"probe {alert.probe} was taken away", Ending.PROBE_REMOVED
    if alert.kind == "calibration_due" and job.checked_at(placements[0], as_of) is None:
        return f"the job file tells of no check of probe {alert.probe} any more", Ending.CHECK_UNKNOWN
    return None


def acknowledge(alert: Alert, by: str, note: str, at: datetime) -> StepResult:
    """A person has seen this episode and takes it on: reminders stop, the closing message still comes.

    An alert that is not open, or already acknowledged, is left as it is (the decision says so).
    """
    result = StepResult()
    if alert.status is not AlertStatus.OPEN:
        result.decisions[alert.fingerprint] = Decision(Action.NOTHING, f"the alert is {alert.status}")
        return result
    result.alerts.append(
        alert.model_copy(
            update={
                "status": AlertStatus.ACKNOWLEDGED,
                "acknowledged_at": at,
                "acknowledged_by": by,
                "acknowledgement_note": note or None,
            }
        )
    )
    detail = f"by {by}: {note}" if note else f"by {by}"
    result.decisions[alert.fingerprint] = Decision(Action.KEPT, f"acknowledged {detail}")
    result.events.append(
        AlertEvent(fingerprint=alert.fingerprint, episode=alert.episode, at=at, event="acknowledged", detail=detail)
    )
    return result


def amount(value: float | None, unit: str) -> str:
    """A value with its unit; a share or probability as a percentage."""
    if value is None:
        return "unknown"
    return f"{100 * value:.3g} %" if unit in SHARES else f"{value:.4g} {unit}"


def span(seconds: float) -> str:
    """A length of time in words, in its largest fitting unit."""
    if seconds >= 2 * 86_400:
        return f"{seconds / 86_400:.3g} d"
    if seconds >= 2 * 3600:
        return f"{seconds / 3600:.3g} h"
    if seconds >= 120:
        return f"{seconds / 60:.3g} min"
    return f"{seconds:.3g} s"
