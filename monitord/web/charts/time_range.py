"""Which time the charts of a page show: a span back from the newest data, or two times of the reader's choice."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from monitord.model.jobs import JobFile

SPANS = {"1d": ("1 d", timedelta(days=1)), "7d": ("7 d", timedelta(days=7)), "21d": ("21 d", timedelta(days=21))}
"""By their name in the address: what the link says, and how long it is. `all` stands beside them."""
DEFAULT_SPAN = "21d"

_SHORTEST = timedelta(minutes=30)
_PIXELS = 700
"""The end moves in steps of about one pixel, so that the same picture stays the same."""


@dataclass(frozen=True)
class Shown:
    """The chosen time, and the whole time there is to choose from."""

    start: datetime
    end: datetime
    span: str | None
    """The chosen span's name; None: two times were chosen."""
    first: datetime
    last: datetime

    @property
    def seen_end(self) -> datetime:
        """The end that is told: not later than what is known."""
        return max(min(self.end, self.last), self.start)

    @property
    def query(self) -> dict[str, str]:
        """What an address needs to show this time."""
        if self.span is not None:
            return {} if self.span == DEFAULT_SPAN else {"span": self.span}
        return _between(self.start, self.end)

    def zoomed(self, factor: float) -> dict[str, str] | None:
        """The query for the middle part (factor below 1), or for more on both sides; None at the end of the way."""
        length = max((self.end - self.start) * factor, _SHORTEST)
        middle = self.start + (self.end - self.start) / 2
        return self._moved(middle - length / 2, length)

    def shifted(self, share: float) -> dict[str, str] | None:
        """The query for a time later by a share of its length; None at the end of the way."""
        length = self.end - self.start
        return self._moved(self.start + length * share, length)

    def _moved(self, start: datetime, length: timedelta) -> dict[str, str] | None:
        whole = self.last - self.first
        length = min(length, whole)
        start = min(max(start, self.first), self.last - length)
        if max(abs(start - self.start), abs(start + length - self.end)) <= _step(self.end - self.start):
            return None
        if length == whole:
            return {"span": "all"}
        return _between(start, start + length)


def choose(job: JobFile, newest: datetime, span: str | None, start: datetime | None, end: datetime | None) -> Shown:
    """The time to show.

    Parameters
    ----------
    newest : The newest that is known: the last reading or assessment.
    span : A name in `SPANS`, or `all`; anything else counts as the default.
    start, end : Two times; they count before the span, and are moved into the job's time.
    """
    last = min(newest, job.end) if job.end is not None else newest
    last = max(last, job.start + _SHORTEST)
    if start is not None and end is not None and end > start:
        start, end = max(start, job.start), min(end, _stepped(last, last - job.start))
        if end - start >= timedelta(minutes=1):
            return Shown(start, end, None, job.start, last)
    if span == "all":
        return Shown(job.start, _stepped(last, last - job.start), "all", job.start, last)
    name = span if span in SPANS else DEFAULT_SPAN
    length = min(SPANS[name][1], last - job.start)
    end = _stepped(last, length)
    return Shown(max(job.start, end - length), end, name, job.start, last)


def _stepped(time: datetime, length: timedelta) -> datetime:
    step = _step(length).total_seconds()
    return datetime.fromtimestamp(math.ceil(time.timestamp() / step) * step, UTC)


def _step(length: timedelta) -> timedelta:
    return max(timedelta(minutes=1), length / _PIXELS)


def _between(start: datetime, end: datetime) -> dict[str, str]:
    return {"from": start.strftime("%Y-%m-%dT%H:%M:%SZ"), "to": end.strftime("%Y-%m-%dT%H:%M:%SZ")}
