"""Spans of the day that come again, in local time: quiet hours, hours of a route, maintenance, digests.

A span belongs to the day it begins on. Local times are taken through the zone's own rules, so a span keeps its wall
clock times when the clocks change; a time that is skipped counts as the moment after the change.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitord.model.config.alert_settings import Day, TimeInterval

_DAYS = tuple(Day)
_DAY = timedelta(days=1)


def local(day: date, clock_time: time, zone: ZoneInfo) -> datetime:
    """The moment (UTC) at which a clock in that zone shows a time on a day."""
    return datetime.combine(day, clock_time, zone).astimezone(UTC)


def covering(spans: Iterable[TimeInterval], zone: ZoneInfo, at: datetime) -> datetime | None:
    """The end (UTC) of the spans that hold `at`, or None; spans that touch run on into each other."""
    every = tuple(spans)
    end: datetime | None = None
    moment = at
    for _ in range(2 * len(every) + 1):
        found = max((e for span in every for s, e in _occurrences(span, zone, moment) if s <= moment < e), default=None)
        if found is None:
            break
        end = moment = found
    return end


def _occurrences(span: TimeInterval, zone: ZoneInfo, at: datetime) -> Iterable[tuple[datetime, datetime]]:
    today = at.astimezone(zone).date()
    for day in (today - _DAY, today):
        if _DAYS[day.weekday()] in span.days:
            last = day if span.end > span.start else day + _DAY
            yield local(day, span.start, zone), local(last, span.end, zone)


def last_time(clock_time: time, days: Iterable[Day], zone: ZoneInfo, at: datetime) -> datetime | None:
    """The latest moment at or before `at` at which the clock showed that time on one of those days."""
    allowed = set(days)
    today = at.astimezone(zone).date()
    for back in range(8):
        day = today - back * _DAY
        moment = local(day, clock_time, zone)
        if _DAYS[day.weekday()] in allowed and moment <= at:
            return moment
    return None
