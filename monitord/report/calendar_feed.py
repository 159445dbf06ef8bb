"""Expected dates of a job as a calendar (RFC 5545): goals by forecast, verdicts by clock, checks that are due."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from monitord.model.assessments import JobAssessment
from monitord.model.jobs import JobFile
from monitord.model.readiness.verdict import Verdict
from monitord.text import report as texts
from monitord.text.speaker import Speaker


@dataclass(frozen=True)
class _Day:
    """One entry: a day, or the days of an interval."""

    uid: str
    first: date
    last: date
    summary: str
    description: str


def calendar(job: JobFile, assessment: JobAssessment, calibration_valid_d: float, speaker: Speaker) -> bytes:
    """The calendar's bytes; an entry keeps its id, so that a moved date moves and does not double."""
    from icalendar import Calendar, Event

    feed = Calendar()
    feed.add("prodid", "-//monitord//expected dates//EN")
    feed.add("version", "2.0")
    feed.add("x-wr-calname", job.label)
    days = [*_goals(job, assessment, speaker), *_verdicts(job, assessment, speaker)]
    for day in [*days, *_checks(job, assessment, calibration_valid_d, speaker)]:
        event = Event()
        event.add("uid", f"{day.uid}@{job.job}.monitord")
        event.add("dtstamp", assessment.as_of)
        event.add("dtstart", day.first)
        event.add("dtend", day.last + timedelta(days=1))  # a day's end is the next day (RFC 5545, 3.6.1)
        event.add("summary", day.summary)
        event.add("description", day.description)
        event.add("transp", "TRANSPARENT")
        feed.add_component(event)
    return bytes(feed.to_ical())


def _day(at: datetime, zone: tzinfo) -> date:
    return at.astimezone(zone).date()


def _goals(job: JobFile, assessment: JobAssessment, speaker: Speaker) -> Iterator[_Day]:
    """The 80 % interval of each forecast that has both ends."""
    for found in assessment.locations:
        made = found.forecast
        if made is None or made.never or made.low is None or made.high is None:
            continue
        yield _Day(
            f"goal-{found.location}",
            _day(made.low, job.zone),
            _day(made.high, job.zone),
            speaker.say((texts.GOAL_EXPECTED,), {"location": job.location(found.location).label}),
            speaker.text(texts.GOAL_INTERVAL),
        )


def _verdicts(job: JobFile, assessment: JobAssessment, speaker: Speaker) -> Iterator[_Day]:
    """The earliest date of each verdict that is not ready."""
    for found in assessment.readiness:
        if found.verdict is Verdict.READY or found.earliest is None or not found.is_slab:
            continue
        day = _day(max(found.earliest, found.not_before or found.earliest), job.zone)
        label = next(slab.label for slab in job.slabs if slab.id == found.element)
        summary = speaker.say((texts.READY_EARLIEST,), {"slab": label})
        yield _Day(f"ready-{found.element}", day, day, summary, speaker.text(texts.READY_BY_CLOCKS))


def _checks(job: JobFile, assessment: JobAssessment, valid_d: float, speaker: Speaker) -> Iterator[_Day]:
    """When the check of each probe that is in place runs out."""
    for placement in job.probes:
        checked = job.checked_at(placement, assessment.as_of)
        if checked is None or not placement.covers(assessment.as_of):
            continue
        day = _day(checked + timedelta(days=job.calibration_valid_d or valid_d), job.zone)
        summary = speaker.say((texts.CHECK_DUE,), {"probe": placement.probe})
        yield _Day(f"check-{placement.probe}", day, day, summary, speaker.text(texts.CHECK_HOW))
