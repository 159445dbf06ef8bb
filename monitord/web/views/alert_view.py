"""An alert as it is shown: what, since when, how sure, why it matters, what to look at first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.messages.alert_speaker import alert_speaker
from monitord.alerts.routing.mutes import end_of
from monitord.model.alerts import SYSTEM, Alert, AlertStatus, Severity
from monitord.model.jobs import JobFile
from monitord.model.messages import Matcher, MatchLabel, Mute
from monitord.model.units import Units
from monitord.text.alerts import AlertSpeaker
from monitord.text.labels import ITSELF
from monitord.web.kept import Kept
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import (
    StatusStyle,
    alert_kinds,
    alert_style,
    alert_title,
    english,
    location_label,
    speaker_of,
)

SPANS = {
    "4h": ("4 hours", timedelta(hours=4)),
    "1d": ("a day", timedelta(days=1)),
    "3d": ("three days", timedelta(days=3)),
    "7d": ("a week", timedelta(days=7)),
    "30d": ("thirty days", timedelta(days=30)),
}
"""For how long a mute or a pause may be wished for on a page."""


class Tier(StrEnum):
    """How soon an alert or a location needs a person; one judgement for headline, need and row."""

    TODAY = "today"
    WEEK = "week"
    NOTE = "note"


@dataclass(frozen=True)
class AlertFact:
    """The figures that an alert is followed by, at one of three times."""

    name: str
    """`At opening`, `Worst`, `Now` or `At close`."""
    value: str
    at: datetime | None


@dataclass(frozen=True)
class AlertView:
    """One episode of an alert."""

    fingerprint: str
    episode: int
    job: str | None
    """None: it is about the program itself."""
    job_label: str
    location: str | None
    style: StatusStyle
    tier: Tier
    easing_since: datetime | None
    """None: it does not ease."""
    place: str
    """What it is about: a location, a probe, a gateway, or monitord itself."""
    title: str
    kind: str
    """What kind it is, in words."""
    facts: tuple[AlertFact, ...]
    opened_at: datetime
    closed_at: datetime | None
    closing_reason: str
    summary: str
    """What was found when it opened."""
    standing: str
    """How it stands: now and at its worst, easing, or why it closed; empty where that is how it opened."""
    eased: str
    """How it stands while it eases, under a headline that says so; else empty."""
    why: str
    look_first: str
    """The first thing to look at."""
    then: str
    """What follows it, with the cautions."""
    acknowledged_at: datetime | None
    acknowledged_by: str
    note: str
    unknown_since: datetime | None
    inhibited_why: str
    can_be_seen: bool
    """Whether nobody has said yet that they have seen it."""
    times: LocalTimes
    """Of the job's zone and the reader's day; their present may be an earlier one of that day."""
    told: str = field(default="", compare=False)
    """Who was told, where the page asked."""
    again_at: datetime | None = field(default=None, compare=False)
    """When something is said about it again, if nothing changes."""

    @property
    def easing(self) -> bool:
        """Whether its condition no longer holds, and it closes if that lasts."""
        return self.easing_since is not None

    @property
    def url(self) -> str:
        """Address of its own page."""
        return f"/alerts/{self.fingerprint}/{self.episode}"

    @property
    def said(self) -> str:
        """What stands behind the headline: how it stands while it eases, else what was found and how it stands now."""
        return self.eased or f"{self.summary} {self.standing}".rstrip()


_KEPT: Kept[AlertView] = Kept(2000)


def alert_views(
    alerts: Iterable[Alert],
    jobs: dict[str, JobFile],
    times: dict[str, LocalTimes],
    rules: AlertRules,
    units: Units = Units.METRIC,
) -> list[AlertView]:
    """Alerts as they are shown, the most pressing first; those that another one explains come last."""
    shown = [a for a in alerts if a.opened_at is not None]
    return [_view(alert, jobs.get(alert.job), times[alert.job], rules, units) for alert in sorted(shown, key=_pressing)]


def closed_views(
    alerts: Iterable[Alert],
    jobs: dict[str, JobFile],
    times: dict[str, LocalTimes],
    rules: AlertRules,
    units: Units = Units.METRIC,
) -> list[AlertView]:
    """Closed ones, in their order."""
    return [_view(alert, jobs.get(alert.job), times[alert.job], rules, units) for alert in alerts]


def _pressing(alert: Alert) -> tuple[bool, int, float, str]:
    opened = alert.opened_at.timestamp() if alert.opened_at is not None else 0.0
    return alert.inhibited_by is not None, alert_style(alert).rank, -opened, alert.fingerprint


def _view(alert: Alert, job: JobFile | None, times: LocalTimes, rules: AlertRules, units: Units) -> AlertView:
    """Its words and its times depend on the present by nothing but the day: no dry date is put off to today."""
    key = (alert.fingerprint, alert.episode, units, english().name, times.today)
    return _KEPT.of(key, (alert, job, rules, times.zone), lambda: _made(alert, job, times, rules, units))


def _made(alert: Alert, job: JobFile | None, times: LocalTimes, rules: AlertRules, units: Units) -> AlertView:
    assert alert.opened_at is not None
    about_itself = alert.job == SYSTEM
    said = alert_speaker(speaker_of(times, units), alert, job, rules)
    return AlertView(
        fingerprint=alert.fingerprint,
        episode=alert.episode,
        job=None if about_itself else alert.job,
        job_label=ITSELF if about_itself else (job.label if job is not None else alert.job),
        location=alert.location,
        style=alert_style(alert),
        tier=tier_of(alert),
        easing_since=alert.clearing_since if alert.easing else None,
        eased=said.eased() if alert.easing else "",
        place=ITSELF if about_itself and not said.place else said.place,
        title=alert_title(alert, job),
        kind=said.name(),
        facts=_facts(alert, said),
        opened_at=alert.opened_at,
        closed_at=alert.closed_at,
        closing_reason=said.because() if alert.closed_at is not None else "",
        summary=said.opening(),
        standing=said.standing() if _has_moved(alert, said) else "",
        why=said.why(),
        look_first=said.first(),
        then=said.then(),
        acknowledged_at=alert.acknowledged_at,
        acknowledged_by=alert.acknowledged_by or "",
        note=alert.acknowledgement_note or "",
        unknown_since=alert.unknown_since,
        inhibited_why=(alert.inhibited_why or "") if alert.inhibited_by is not None else "",
        can_be_seen=alert.status is AlertStatus.OPEN,
        times=times,
    )


def _has_moved(alert: Alert, said: AlertSpeaker) -> bool:
    """Whether how it stands says more than how it opened."""
    if alert.easing or alert.closed_at is not None or alert.unknown_since is not None:
        return True
    opening = alert.opening or alert.finding
    return said.key(alert.finding) != said.key(opening) or said.figure(alert.worst) != said.figure(opening)


def tier_of(alert: Alert) -> Tier:
    """How soon it needs a person: by its severity, as its messages say it; one that eases can wait."""
    if alert.severity is Severity.ACT:
        return Tier.WEEK if alert.easing else Tier.TODAY
    return Tier.WEEK if alert.severity is Severity.WATCH else Tier.NOTE


def _facts(alert: Alert, said: AlertSpeaker) -> tuple[AlertFact, ...]:
    """Its figures at the opening, at the worst, and now or at the close."""
    first = alert.opening or alert.finding
    worst = alert.worst or first
    last = alert.finding
    found = [
        AlertFact("At opening", said.key(first) or "", alert.opened_at),
        AlertFact("Worst", said.figure(worst) or "", worst.measured_at),
    ]
    if alert.closed_at is not None:
        found.append(AlertFact("At close", said.figure(last) or "", alert.closed_at))
    elif alert.unknown_since is not None:
        found.append(AlertFact("Now", said.speaker.text("not known"), alert.unknown_since))
    else:
        found.append(AlertFact("Now", said.figure(last) or "", last.measured_at))
    return tuple(found)


def times_of(alerts: Iterable[Alert], jobs: Mapping[str, JobFile], now: datetime) -> dict[str, LocalTimes]:
    """For each alert's job its local times; UTC where there is no such job (any more)."""
    return {a.job: LocalTimes(jobs[a.job].zone if a.job in jobs else UTC, now) for a in alerts}


@dataclass(frozen=True)
class MuteView:
    """A wish not to be told, as it is shown."""

    id: str
    what: str
    start: datetime
    end: datetime
    author: str
    comment: str
    to_come: bool


def mute_views(
    mutes: Iterable[Mute], alerts: Iterable[Alert], jobs: Mapping[str, JobFile], now: datetime
) -> list[MuteView]:
    """Mutes that are active or to come; one about a single alert is called by that alert's title."""
    titles = {alert.fingerprint: alert_title(alert, jobs.get(alert.job)) for alert in alerts}
    return [
        MuteView(
            id=mute.id,
            what=", ".join(_matched(matcher, titles, jobs, _job_of(mute, jobs)) for matcher in mute.matchers),
            start=mute.start,
            end=end_of(mute),
            author=mute.author,
            comment=mute.comment,
            to_come=mute.start > now,
        )
        for mute in mutes
    ]


def _job_of(mute: Mute, jobs: Mapping[str, JobFile]) -> JobFile | None:
    """The one job that a mute is about, if it names one."""
    return next((jobs.get(matcher.pattern) for matcher in mute.matchers if matcher.label is MatchLabel.JOB), None)


def _matched(matcher: Matcher, titles: Mapping[str, str], jobs: Mapping[str, JobFile], job: JobFile | None) -> str:
    if matcher.label is MatchLabel.FINGERPRINT:
        return titles.get(matcher.pattern, "one alert")
    if matcher.label is MatchLabel.KIND and matcher.pattern in alert_kinds():
        return alert_kinds()[matcher.pattern]
    if matcher.label is MatchLabel.JOB and matcher.pattern in jobs:
        return jobs[matcher.pattern].label
    if matcher.label is MatchLabel.LOCATION and job is not None:
        return location_label(job, matcher.pattern)
    return f"{matcher.label.value} {matcher.pattern}"
