"""Ticks of a time axis at round local times, right over the change to and from daylight saving time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from monitord.charts.parts import Window

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_MINUTE, _DAY = 60.0, 86_400.0
_MINUTE_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720)
_DAY_STEPS = (1, 2, 3, 7, 14)
_MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120)
_MONTH_S = 30.44 * _DAY


@dataclass(frozen=True)
class Tick:
    """One tick. `major` ticks begin a day, month or year where the others do not."""

    time_s: float
    label: str
    major: bool = False


def time_ticks(window: Window, maximum: int) -> list[Tick]:
    """At most about `most` ticks inside a window, at round times of its zone.

    Within a day they stand at round clock times, so that two of them are an hour nearer or farther apart when the
    clocks change between them; a clock time that is skipped has no tick, one that comes twice has its tick at the
    first. Over days they stand at the first instant of local days, over months at that of the month's first day.
    """
    for minutes in _MINUTE_STEPS:
        if window.length_s / (minutes * _MINUTE) <= maximum:
            return _clock_ticks(window, minutes)
    for days in _DAY_STEPS:
        if window.length_s / (days * _DAY) <= maximum:
            return _day_ticks(window, days)
    for months in _MONTH_STEPS:
        if window.length_s / (months * _MONTH_S) <= maximum:
            return _month_ticks(window, months)
    return _month_ticks(window, 1200)


def first_instant(day: date, zone: ZoneInfo) -> datetime | None:
    """The instant a local day begins, UTC; None for a day that the zone left out.

    Where midnight comes twice it is the first. Where it is skipped, Python takes the offset that held before, which
    gives the instant of the change itself, as clocks that skip midnight do so from midnight on.
    """
    instant = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
    return instant if instant.astimezone(zone).date() == day else None


def clock_change(window: Window) -> timedelta:
    """How far the zone's clocks stand ahead at the end of a window of what they stood at its start."""
    start, end = (datetime.fromtimestamp(t, window.zone).utcoffset() for t in (window.start_s, window.end_s))
    return (end or timedelta(0)) - (start or timedelta(0))


def _clock_ticks(window: Window, minutes: int) -> list[Tick]:
    ticks = []
    for day in _days(window):
        for minute in range(0, 24 * 60, minutes):
            time_s = _instant_s(day, minute, window.zone)
            if time_s is not None and window.start_s <= time_s <= window.end_s:
                midnight = minute == 0
                label = _day_label(day) if midnight else f"{minute // 60:02d}:{minute % 60:02d}"
                ticks.append(Tick(time_s, label, midnight))
    return ticks


def _day_ticks(window: Window, days: int) -> list[Tick]:
    ticks = []
    for day in _days(window):
        if _counted(day) % days == 0:
            instant = first_instant(day, window.zone)
            if instant is not None and window.start_s <= instant.timestamp() <= window.end_s:
                ticks.append(Tick(instant.timestamp(), _day_label(day)))
    return ticks


def _month_ticks(window: Window, months: int) -> list[Tick]:
    ticks = []
    first, last = _local_date(window.start_s, window.zone), _local_date(window.end_s, window.zone)
    for month in range(12 * first.year + first.month - 1, 12 * last.year + last.month):
        if month % months == 0:
            day = date(month // 12, month % 12 + 1, 1)
            instant = first_instant(day, window.zone)
            if instant is not None and window.start_s <= instant.timestamp() <= window.end_s:
                label = str(day.year) if day.month == 1 else MONTHS[day.month - 1]
                ticks.append(Tick(instant.timestamp(), label, day.month == 1))
    return ticks


def _instant_s(day: date, minute: int, zone: ZoneInfo) -> float | None:
    """The first instant at which the local clock shows that time on that day; None where it never does."""
    local = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
    instant = local.astimezone(UTC)
    shown = instant.astimezone(zone)
    return instant.timestamp() if shown.replace(tzinfo=None) == local.replace(tzinfo=None) else None


def _days(window: Window) -> Iterator[date]:
    day, last = _local_date(window.start_s, window.zone), _local_date(window.end_s, window.zone)
    while day <= last:
        yield day
        day += timedelta(days=1)


def _local_date(time_s: float, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(time_s, zone).date()


def _counted(day: date) -> int:
    """Days counted so that every seventh is a Monday."""
    return day.toordinal() - 1


def _day_label(day: date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]}"
