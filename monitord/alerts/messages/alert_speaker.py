"""Alerts put into words with what their rule and their job know: limits, hold times, names of places."""

from __future__ import annotations

from monitord.alerts.lifecycle.engine import clear_hold_s
from monitord.alerts.lifecycle.rules import AlertRules
from monitord.model.alerts import Alert
from monitord.model.jobs import JobFile
from monitord.text.alerts import NO_LIMITS, AlertSpeaker, Limits
from monitord.text.speaker import Speaker


def alert_speaker(speaker: Speaker, alert: Alert, job: JobFile | None, rules: AlertRules) -> AlertSpeaker:
    """An alert, ready to be put into words."""
    return AlertSpeaker(speaker, alert, place_of(alert, job), limits_of(alert, rules, speaker))


def limits_of(alert: Alert, rules: AlertRules, speaker: Speaker) -> Limits:
    """What of the rule that an alert follows is said; nothing where there is no rule any more."""
    rule = rules.rule_for(alert.kind, alert.job, alert.location)
    if rule is None:
        return NO_LIMITS
    return Limits(rule.raise_at, rule.clear_at, rule.unit, clear_hold_s(rule, alert, speaker.now))


def place_of(alert: Alert, job: JobFile | None) -> str:
    """Where an alert is: `North wall`, `North wall (p1)`, a probe or a gateway; empty where it has no place."""
    if alert.location is None:
        return alert.probe or alert.gateway or ""
    label = location_label(job, alert.location)
    return f"{label} ({alert.probe})" if alert.probe is not None else label


def location_label(job: JobFile | None, location_id: str) -> str:
    """The name of a location, or its id where the job file knows it no more."""
    found = (location.label for location in (job.locations if job is not None else ()) if location.id == location_id)
    return next(found, location_id)
