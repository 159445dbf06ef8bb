"""Times as people on site read them: in the job's zone, and as ages."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

from markupsafe import Markup

from monitord.text import times
from monitord.text.catalogue import language
from monitord.text.formats import TIE

_ENGLISH = language()


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


@dataclass(frozen=True)
class LocalTimes:
    """Writes times in one zone, as read at one moment: the year is left out where it is the reader's own."""

    zone: tzinfo
    now: datetime

    @property
    def year(self) -> int:
        """The reader's own year: all that times in words depend on of the present."""
        return self.now.astimezone(self.zone).year

    @property
    def today(self) -> date:
        """The reader's own day: sentences that look ahead depend on it, as no goal is put off to today."""
        return self.now.astimezone(self.zone).date()

    @property
    def zone_name(self) -> str:
        """What the zone is called now."""
        return times.zone_name(self.zone, self.now)

    def day(self, time: datetime, *, weekday: bool = False) -> str:
        """`24 Nov`, or `Tue 24 Nov`."""
        return _untied(times.day(time, self.now, self.zone, _ENGLISH, weekday=weekday))

    def stamp(self, time: datetime) -> str:
        """`Tue 24 Nov 07:20 GMT`, as in messages."""
        return _untied(times.moment(time, self.now, self.zone, _ENGLISH))

    def clock(self, time: datetime) -> Markup:
        """A stamp as a `time` element."""
        return Markup('<time datetime="{}">{}</time>').format(iso(time), self.stamp(time))

    def age(self, time: datetime) -> Markup:
        """How long ago, as an element that a script keeps true; the age is what ETags leave out."""
        words = age_words((self.now - time).total_seconds())
        return Markup('<time class="age" datetime="{}" title="{}">{}</time>').format(iso(time), self.stamp(time), words)

    def days(self, first: datetime, last: datetime) -> str:
        """`1 to 6 Dec`; `about 1 Dec` where both are one day."""
        return _untied(times.days(first, last, self.now, self.zone, _ENGLISH))

    def span(self, first: datetime, last: datetime) -> str:
        """`Thu 12 Nov 08:00 to Fri 13 Nov 00:00 GMT`, or `Thu 12 Nov 08:00 to 10:00 GMT` within one day."""
        return _untied(times.window(first, last, self.now, self.zone, _ENGLISH))


def _untied(text: str) -> str:
    """A time whose parts may stand on two lines, as in a narrow table."""
    return text.replace(TIE, " ")


def iso(time: datetime) -> str:
    """A time in UTC for machines, to the second."""
    return time.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
