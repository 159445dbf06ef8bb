"""Times as people read them: `Tue 20 Jan 18:57 GMT`, in one zone, the year only where it is not the reader's own."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from monitord.text.catalogue import Language
from monitord.text.formats import TIE

MESSAGES = ("{weekday} {day} {month} {year}", "{day} {month}", "{day} {month} {year}", "{first} to {last}",
            "{weekday} {day} {month}", "about {day}", "from {start}")  # fmt: skip


def zone_name(zone: tzinfo, at: datetime) -> str:
    """The zone's own abbreviation at a time, or its offset where it has none."""
    local = at.astimezone(zone)
    name = local.tzname() or ""
    return name if name.isalpha() else offset_name(local.utcoffset() or timedelta(0))


def offset_name(offset: timedelta) -> str:
    """An offset from UTC, such as UTC+5:30."""
    minutes = int(offset.total_seconds() // 60)
    sign, (hours, rest) = "−" if minutes < 0 else "+", divmod(abs(minutes), 60)
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


def day(at: datetime, now: datetime, zone: tzinfo, language: Language, *, weekday: bool = False) -> str:
    """`20 Jan`, or `Tue 20 Jan`; with the year where it is another one than `now`'s."""
    local = at.astimezone(zone)
    form = ("{weekday} " if weekday else "") + "{day} {month}"
    if local.year != now.astimezone(zone).year:
        form += " {year}"
    text = language.text(form)
    names = {"weekday": language.day(local.weekday()), "month": language.month(local.month)}
    return text.format(day=local.day, year=local.year, **names).replace(" ", TIE)


def clock(at: datetime, zone: tzinfo) -> str:
    """`18:57`."""
    local = at.astimezone(zone)
    return f"{local.hour:02d}:{local.minute:02d}"


def moment(at: datetime, now: datetime, zone: tzinfo, language: Language) -> str:
    """`Tue 20 Jan 18:57 GMT`."""
    return f"{day(at, now, zone, language, weekday=True)} {clock(at, zone)}{TIE}{zone_name(zone, at)}"


def days(first: datetime, last: datetime, now: datetime, zone: tzinfo, language: Language) -> str:
    """`1 to 6 Dec`, `28 Dec to 6 Jan 2027`; `about 1 Dec` where both are one day."""
    a, b = first.astimezone(zone), last.astimezone(zone)
    if a.date() == b.date():
        return language.text("about {day}").format(day=day(first, now, zone, language))
    start = day(first, last if a.year == b.year else now, zone, language)
    if (a.year, a.month) == (b.year, b.month) and language.text("{day} {month}").startswith("{day} "):
        start = str(a.day)
    return language.text("{first} to {last}").format(first=start, last=day(last, now, zone, language))


def window(start: datetime, until: datetime | None, now: datetime, zone: tzinfo, language: Language) -> str:
    """`Tue 20 Jan 03:00 to 06:00 GMT`; `from Tue 20 Jan 03:00 GMT` without an end."""
    if until is None:
        return language.text("from {start}").format(start=moment(start, now, zone, language))
    first = f"{day(start, now, zone, language, weekday=True)} {clock(start, zone)}"
    same_day = start.astimezone(zone).date() == until.astimezone(zone).date()
    last = f"{clock(until, zone)}{TIE}{zone_name(zone, until)}" if same_day else moment(until, now, zone, language)
    return language.text("{first} to {last}").format(first=first, last=last)
