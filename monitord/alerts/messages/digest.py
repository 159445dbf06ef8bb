"""The daily digest: what is new, what is open, what dries as planned, what is due next; to each person at their hour.

It comes also when nothing happened: a day without one says that the program does not run.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitord.alerts.deciding.mutes import any_match
from monitord.alerts.deciding.time_intervals import last_time
from monitord.alerts.lifecycle.rules import severity_rank
from monitord.alerts.lifecycle.transitions import OPEN
from monitord.alerts.messages import gsm
from monitord.alerts.messages.templating import Templates, templates_of
from monitord.model.alerts import SYSTEM, Alert, AlertStatus, Severity
from monitord.model.assessments import JobAssessment, LocationAssessment, State
from monitord.model.config.alert_settings import AlertSettings, Person, Way
from monitord.model.jobs import JobFile
from monitord.model.messages import SEVERAL, Message, MessageItem, NotificationReason, Pause

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
    words = templates_of(person.language, settings.templates_dir)
    jobs = [job for job in overview.jobs if concerns(person, settings, job.job)]
    views = [_job_view(job, settings, overview, words, since) for job in jobs]
    if concerns(person, settings, SYSTEM) and any(alert.job == SYSTEM for alert in overview.alerts):
        views.append(_system_view(person, overview, words, since))
    if not views:
        return []
    zone = ZoneInfo(person.timezone)
    values = {
        "person": person.name or person.id,
        "jobs": views,
        "written": words.when(as_of, zone),
        "since": words.when(since, zone),
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


def _job_view(job: JobFile, settings: AlertSettings, overview: Overview, words: Templates, since: datetime) -> JobView:
    names = {location.id: location.label for location in job.locations}
    mine = [alert for alert in overview.alerts if alert.job == job.job]
    assessment = overview.assessments.get(job.job)
    locations = assessment.locations if assessment is not None else ()
    base = (settings.public_url or "").rstrip("/")
    heard = assessment.last_reading_at if assessment is not None else None
    return JobView(
        name=job.label,
        url=f"{base}/jobs/{job.job}" if base else "",
        new=_lines([a for a in mine if a.opened_at and a.opened_at >= since], names, words, job.zone),
        over=_lines([a for a in mine if a.closed_at and a.closed_at >= since], names, words, job.zone),
        open=_lines([a for a in mine if a.status in OPEN], names, words, job.zone),
        drying=tuple(_drying(p, names, words, job.zone) for p in locations if p.state is State.DRYING),
        due=tuple(_due_next(locations, names, words, job.zone)),
        data_at=words.when(heard, job.zone) if heard is not None else "",
        paused=_paused(overview.paused.get(job.job), words, job.zone),
    )


def _paused(pause: Pause | None, words: Templates, zone: ZoneInfo) -> str:
    if pause is None:
        return ""
    till = "" if pause.end is None else words.when(pause.end, zone)
    form = words.words["pause"]["until" if till else "open"]
    return str(form).format(since=words.when(pause.start, zone), until=till, author=pause.author, comment=pause.comment)


def _system_view(person: Person, overview: Overview, words: Templates, since: datetime) -> JobView:
    zone = ZoneInfo(person.timezone)
    mine = [alert for alert in overview.alerts if alert.job == SYSTEM]
    return JobView(
        name=str(words.words["system"]["job"]),
        url="",
        new=_lines([a for a in mine if a.opened_at and a.opened_at >= since], {}, words, zone),
        over=_lines([a for a in mine if a.closed_at and a.closed_at >= since], {}, words, zone),
        open=_lines([a for a in mine if a.status in OPEN], {}, words, zone),
        drying=(),
        due=(),
        data_at="",
    )


def _lines(alerts: Sequence[Alert], names: Mapping[str, str], words: Templates, zone: ZoneInfo) -> tuple[LineView, ...]:
    chosen = sorted(alerts, key=lambda a: (-severity_rank(a.severity), a.opened_at or a.finding.measured_at))
    lines = []
    for alert in chosen:
        closed = alert.status is AlertStatus.CLOSED
        moment = alert.closed_at if closed else alert.opened_at
        lines.append(
            LineView(
                text=words.kind(alert.kind),
                location=names.get(alert.location or "", alert.location or alert.probe or alert.gateway or ""),
                when=words.when(moment, zone) if moment is not None else "",
                severity=str(words.words["severity"][alert.severity.value]),
                note=alert.acknowledged_by or "",
            )
        )
    return tuple(lines)


def _drying(location: LocationAssessment, names: Mapping[str, str], words: Templates, zone: ZoneInfo) -> LineView:
    forecast = location.forecast
    when = words.when(forecast.middle, zone, "date") if forecast is not None and forecast.middle is not None else ""
    return LineView(text=location.words, location=names.get(location.location, location.location), when=when)


def _due_next(
    locations: Sequence[LocationAssessment], names: Mapping[str, str], words: Templates, zone: ZoneInfo
) -> list[LineView]:
    """The locations that are expected at their goal next, the soonest first."""
    dated = [(p.forecast.middle, p) for p in locations if p.forecast is not None and p.forecast.middle is not None]
    lines = []
    for middle, location in sorted(dated, key=lambda pair: pair[0])[:5]:
        forecast = location.forecast
        low, high = (forecast.low, forecast.high) if forecast is not None else (None, None)
        ends = [words.when(end, zone, "date") if end is not None else "?" for end in (low, high)]
        lines.append(
            LineView(
                text="",
                location=names.get(location.location, location.location),
                when=words.when(middle, zone, "date"),
                note=" – ".join(ends),
            )
        )
    return lines
