"""The daily digest: what is new, what is open, what dries as planned, what is due next; to each person at their hour.

It comes also when nothing happened: a day without one says that the program does not run.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitord.alerts.lifecycle.rules import severity_rank
from monitord.alerts.lifecycle.transitions import OPEN
from monitord.alerts.messages.alert_speaker import place_of
from monitord.alerts.messages.templating import templates_of
from monitord.alerts.routing.mutes import any_match
from monitord.alerts.routing.time_intervals import last_time
from monitord.model.alerts import SYSTEM, Alert, AlertStatus, Severity
from monitord.model.assessments import JobAssessment, LocationAssessment, State
from monitord.model.config.alert_settings import AlertSettings, Person, Way
from monitord.model.jobs import JobFile
from monitord.model.messages import SEVERAL, Message, MessageItem, NotificationReason, Pause
from monitord.text import gsm
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import reader_language
from monitord.text.labels import ITSELF, PAUSED, PAUSED_UNTIL
from monitord.text.speaker import Speaker
from monitord.text.states import state_sentence
from monitord.text.terms import SEVERITIES

_LATE = timedelta(hours=4)
"""A digest that could not be written at its hour still is within this time, and left out after it."""


@dataclass(frozen=True)
class Overview:
    """What digests are made of, as of a time."""

    jobs: Sequence[JobFile]
    """The running jobs."""
    assessments: Mapping[str, JobAssessment]
    alerts: Sequence[Alert]
    """Open alerts, and all that opened in the last days."""
    paused: Mapping[str, Pause] = field(default_factory=dict)
    """Job to its pause, where it is paused: it must not be forgotten."""


@dataclass(frozen=True)
class LineView:
    """One line of a digest."""

    text: str
    location: str
    when: str = ""
    severity: str = ""
    note: str = ""


@dataclass(frozen=True)
class JobView:
    """One job's part of a digest."""

    name: str
    url: str
    new: tuple[LineView, ...]
    over: tuple[LineView, ...]
    open: tuple[LineView, ...]
    drying: tuple[LineView, ...]
    due: tuple[LineView, ...]
    data_at: str
    """Time of the newest reading."""
    paused: str = ""
    """Since when, till when, by whom and why it raises nothing; empty: it is not paused."""


def due_since(person: Person, last: datetime | None, as_of: datetime) -> tuple[datetime, datetime] | None:
    """The hour at which the person's digest is due now, and since when it tells; None: it is not due.

    Parameters
    ----------
    last : when their last digest was written, if ever.
    """
    if person.digest_at is None:
        return None
    hour = last_time(person.digest_at, person.digest_days, ZoneInfo(person.timezone), as_of)
    if hour is None or as_of - hour > _LATE or (last is not None and last >= hour):
        return None
    return hour, max(last, hour - timedelta(days=7)) if last is not None else hour - timedelta(days=1)


def compose_digest(
    person: Person, settings: AlertSettings, overview: Overview, hour: datetime, since: datetime, as_of: datetime
) -> list[Message]:
    """One message for each way of the person that takes digests; none if nothing concerns them.

    Parameters
    ----------
    hour : the hour at which it is due; the same hour gives the same message ids.
    since : what opened or closed from here on is new.
    """
    words = templates_of(reader_language(person.language, person.units), settings.templates_dir)
    jobs = [job for job in overview.jobs if concerns(person, settings, job.job)]
    views = [_job_view(job, settings, overview, words.speaker(job.zone, as_of, person.units), since) for job in jobs]
    if concerns(person, settings, SYSTEM) and any(alert.job == SYSTEM for alert in overview.alerts):
        views.append(_system_view(overview, words.speaker(ZoneInfo(person.timezone), as_of, person.units), since))
    if not views:
        return []
    reader = words.speaker(ZoneInfo(person.timezone), as_of, person.units)
    values = {
        "person": person.name or person.id,
        "language": person.language,
        "jobs": views,
        "written": reader.moment(as_of),
        "since": reader.moment(since),
    }
    text, html = words.render("digest.txt.j2", **values), words.render("digest.html.j2", **values)
    title = " ".join(words.render("digest_title.txt.j2", **values).split())
    short = gsm.fit(words.render("digest_short.txt.j2", **values))
    return [
        Message(
            id=_id(person, way, hour),
            person=person.id,
            channel=way.channel,
            address=way.address,
            group=SEVERAL,
            severity=Severity.NOTE,
            created_at=as_of,
            deadline=as_of + timedelta(hours=12),
            title=title,
            short=short,
            text=text,
            html=html,
            items=(_item(hour),),
        )
        for way in person.ways
        if way.digest
    ]


def concerns(person: Person, settings: AlertSettings, job: str) -> bool:
    """Whether any route leads from a job to the person; without routes everything goes to everyone."""
    if not settings.routes:
        return True
    for route in settings.routes:
        people = {*route.people, *(p for step in route.escalations for p in step.people)}
        if person.id in people and any_match(route.jobs, job):
            return True
    return not any(any_match(route.jobs, job) for route in settings.routes)


def _item(hour: datetime) -> MessageItem:
    return MessageItem(
        subject="digest",
        episode=int(hour.timestamp()),
        news=NotificationReason.DIGEST,
        job=SYSTEM,
        severity=Severity.NOTE,
    )


def _id(person: Person, way: Way, hour: datetime) -> str:
    key = "\x1f".join(("digest", person.id, way.channel, hour.isoformat()))
    return hashlib.sha256(key.encode()).hexdigest()[:32]


def _job_view(job: JobFile, settings: AlertSettings, overview: Overview, speaker: Speaker, since: datetime) -> JobView:
    names = {location.id: location.label for location in job.locations}
    mine = [alert for alert in overview.alerts if alert.job == job.job]
    assessment = overview.assessments.get(job.job)
    locations = assessment.locations if assessment is not None else ()
    base = (settings.public_url or "").rstrip("/")
    return JobView(
        name=job.label,
        url=f"{base}/jobs/{job.job}" if base else "",
        new=_lines([a for a in mine if a.opened_at and a.opened_at >= since], job, speaker),
        over=_lines([a for a in mine if a.closed_at and a.closed_at >= since], job, speaker),
        open=_lines([a for a in mine if a.status in OPEN], job, speaker),
        drying=tuple(_drying(p, names, speaker) for p in locations if p.state in _DRYING),
        due=tuple(_due_next(locations, names, speaker)),
        data_at=speaker.moment(assessment.last_reading_at if assessment is not None else None) or "",
        paused=_paused(overview.paused.get(job.job), speaker),
    )


_DRYING = frozenset({State.DRYING, State.DRYING_SLOWLY})


def _paused(pause: Pause | None, speaker: Speaker) -> str:
    if pause is None:
        return ""
    slots = {
        "who": pause.author,
        "reason": pause.comment,
        "since": speaker.moment(pause.start),
        "until": speaker.moment(pause.end),
    }
    return speaker.say((PAUSED_UNTIL, PAUSED), slots)


def _system_view(overview: Overview, speaker: Speaker, since: datetime) -> JobView:
    mine = [alert for alert in overview.alerts if alert.job == SYSTEM]
    return JobView(
        name=speaker.text(ITSELF),
        url="",
        new=_lines([a for a in mine if a.opened_at and a.opened_at >= since], None, speaker),
        over=_lines([a for a in mine if a.closed_at and a.closed_at >= since], None, speaker),
        open=_lines([a for a in mine if a.status in OPEN], None, speaker),
        drying=(),
        due=(),
        data_at="",
    )


def _lines(alerts: Sequence[Alert], job: JobFile | None, speaker: Speaker) -> tuple[LineView, ...]:
    chosen = sorted(alerts, key=lambda a: (-severity_rank(a.severity), a.opened_at or a.finding.measured_at))
    return tuple(
        LineView(
            text=AlertSpeaker(speaker, alert, place_of(alert, job)).headline(),
            location=place_of(alert, job),
            when=speaker.moment(alert.closed_at if alert.status is AlertStatus.CLOSED else alert.opened_at) or "",
            severity=speaker.text(SEVERITIES[alert.severity]),
            note=alert.acknowledged_by or "",
        )
        for alert in chosen
    )


def _drying(location: LocationAssessment, names: Mapping[str, str], speaker: Speaker) -> LineView:
    text = state_sentence(speaker, location.state, location.facts)
    return LineView(text=text, location=names.get(location.location, location.location))


def _due_next(locations: Sequence[LocationAssessment], names: Mapping[str, str], speaker: Speaker) -> list[LineView]:
    """The locations that are expected at their goal next, the soonest first."""
    dated = [(p.forecast.middle, p) for p in locations if p.forecast is not None and p.forecast.middle is not None]
    lines = []
    for middle, location in sorted(dated, key=lambda pair: pair[0])[:5]:
        forecast = location.forecast
        ends = speaker.days(forecast.low, forecast.high) if forecast is not None else None
        name = names.get(location.location, location.location)
        lines.append(LineView(text="", location=name, when=ends or speaker.day(middle) or ""))
    return lines
