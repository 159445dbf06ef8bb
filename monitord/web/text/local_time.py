"""Times as people on site read them: in the job's zone, and as ages."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from markupsafe import Markup

from monitord.charts.time_axis import MONTHS

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def age_words(seconds: float) -> str:
    """How long ago, in its largest fitting unit; `static/live.js` says the same, word for word.

    Parameters
    ----------
    seconds : From then to now; negative where a stamp lies ahead of this program's clock. [s]
    """
    if seconds < -60:
        return f"{_span_words(-seconds)} ahead of the clock"
    if seconds < 60:
        return "just now"
    return f"{_span_words(seconds)} ago"


def _span_words(seconds: float) -> str:
    if seconds < 90 * 60:
        return f"{int(seconds // 60)} min"
    if seconds < 36 * 3600:
        return f"{int(seconds // 3600)} h"
    return f"{int(seconds // 86_400)} d"


def zone_words(zone: tzinfo, at: datetime) -> str:
    """The zone's own abbreviation at a time, or its offset where it has none."""
    local = at.astimezone(zone)
    name = local.tzname() or ""
    return name if name.isalpha() else offset_words(local.utcoffset() or timedelta(0))


def offset_words(offset: timedelta) -> str:
    """An offset from UTC, such as UTC+5:30."""
    minutes = int(offset.total_seconds() // 60)
    sign, (hours, rest) = "−" if minutes < 0 else "+", divmod(abs(minutes), 60)
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


@dataclass(frozen=True)
class LocalTimes:
    """Writes times in one zone, as read at one moment: the year is left out where it is the reader's own."""

    zone: tzinfo
    now: datetime

    @property
    def zone_name(self) -> str:
        """What the zone is called now."""
        return zone_words(self.zone, self.now)

    def day(self, time: datetime, *, weekday: bool = False) -> str:
        """`24 Nov`, or `Tue 24 Nov`."""
        local = time.astimezone(self.zone)
        text = f"{local.day} {MONTHS[local.month - 1]}"
        if weekday:
            text = f"{_WEEKDAYS[local.weekday()]} {text}"
        return text if local.year == self.now.astimezone(self.zone).year else f"{text} {local.year}"

    def stamp(self, time: datetime, *, weekday: bool = True) -> str:
        """`Tue 24 Nov, 07:20`."""
        local = time.astimezone(self.zone)
        return f"{self.day(time, weekday=weekday)}, {local.hour:02d}:{local.minute:02d}"

    def clock(self, time: datetime) -> Markup:
        """A stamp as a `time` element."""
        return Markup('<time datetime="{}">{}</time>').format(iso(time), self.stamp(time))

    def age(self, time: datetime) -> Markup:
        """How long ago, as an element that a script keeps true; the age is what ETags leave out."""
        words = age_words((self.now - time).total_seconds())
        return Markup('<time class="age" datetime="{}" title="{}">{}</time>').format(iso(time), self.stamp(time), words)

    def days(self, first: datetime, last: datetime) -> str:
        """`1 to 6 Dec`; `about 1 Dec` where both are one day."""
        a, b = first.astimezone(self.zone), last.astimezone(self.zone)
        if a.date() == b.date():
            return f"about {self.day(first)}"
        if (a.year, a.month) == (b.year, b.month):
            return f"{a.day} to {self.day(last)}"
        return f"{self.day(first)} to {self.day(last)}"

    def span(self, first: datetime, last: datetime) -> str:
        """`12 Nov, 08:00 to 13 Nov, 00:00`, or `12 Nov, 08:00 to 10:00` within one day."""
        a, b = first.astimezone(self.zone), last.astimezone(self.zone)
        end = f"{b.hour:02d}:{b.minute:02d}" if a.date() == b.date() else self.stamp(last, weekday=False)
        return f"{self.stamp(first, weekday=False)} to {end}"


def iso(time: datetime) -> str:
    """A time in UTC for machines, to the second."""
    return time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
