"""Who is to be told about an alert: routes, escalation, quiet hours, ways."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitord.alerts.lifecycle.rules import severity_rank
from monitord.alerts.routing.mutes import any_match
from monitord.alerts.routing.time_intervals import covering
from monitord.model.alerts import Alert, AlertStatus, Severity
from monitord.model.config.alert_settings import AlertRoute, AlertSettings, Person, Way


@dataclass(frozen=True)
class Recipient:
    """A person an alert goes to, and why."""

    person: Person
    remind_s: float
    """Time between reminders. [s]"""
    reason: str
    escalated: bool = False
    """Told because nobody before them acknowledged."""


def recipients(
    alert: Alert, settings: AlertSettings, zone: ZoneInfo, at: datetime, told_first: datetime | None
) -> list[Recipient]:
    """Everyone the alert goes to at a time; each person once, with the shortest of their reminder times.

    Parameters
    ----------
    zone : time zone of the job, in which the routes' hours are read.
    told_first : when the first message about this episode was written; escalation counts from there.
    """
    found: dict[str, Recipient] = {}
    fitted = False
    for number, route in enumerate(settings.routes, start=1):
        if not fits(route, alert, zone, at):
            continue
        fitted = True
        _add(found, route, route.name or f"number {number}", settings, alert, at, told_first)
        if route.last:
            break
    if not fitted:
        for person in settings.people:
            found[person.id] = Recipient(person, settings.remind_s, "no route fits: it goes to everyone")
    return list(found.values())


def fits(route: AlertRoute, alert: Alert, zone: ZoneInfo, at: datetime) -> bool:
    """Whether a route takes the alert at a time."""
    return (
        any_match(route.jobs, alert.job)
        and any_match(route.kinds, alert.kind)
        and any_match(route.locations, alert.location or "")
        and severity_rank(alert.severity) >= severity_rank(route.min_severity)
        and (not route.hours or covering(route.hours, zone, at) is not None)
    )


def _add(
    found: dict[str, Recipient],
    route: AlertRoute,
    name: str,
    settings: AlertSettings,
    alert: Alert,
    at: datetime,
    told_first: datetime | None,
) -> None:
    remind_s = route.remind_s or settings.remind_s
    for person_id in route.people:
        _keep(found, settings, person_id, remind_s, f"route {name}", escalated=False)
    if told_first is None or alert.status is not AlertStatus.OPEN:
        return
    for step in route.escalations:
        if at - told_first >= timedelta(seconds=step.after_s):
            for person_id in step.people:
                reason = f"route {name}: not acknowledged within {step.after_s / 60:g} min"
                _keep(found, settings, person_id, remind_s, reason, escalated=True)


def _keep(
    found: dict[str, Recipient],
    settings: AlertSettings,
    person_id: str,
    remind_s: float,
    reason: str,
    *,
    escalated: bool,
) -> None:
    person, before = settings.person(person_id), found.get(person_id)
    if person is None:
        return
    if before is None or (before.escalated and not escalated):
        found[person_id] = Recipient(person, remind_s, reason, escalated)
    elif remind_s < before.remind_s:
        found[person_id] = Recipient(person, remind_s, before.reason, before.escalated)


def quiet_until(person: Person, severity: Severity, at: datetime) -> datetime | None:
    """When the quiet hours end that keep a message of this severity from the person at a time, or None."""
    if severity is Severity.ACT or not person.quiet:
        return None
    return covering(person.quiet, ZoneInfo(person.timezone), at)


def ways(person: Person, severity: Severity) -> list[Way]:
    """The ways that a message of this severity goes to the person."""
    return [way for way in person.ways if severity_rank(severity) >= severity_rank(way.min_severity)]
