"""Between aware datetimes at the edge, POSIX seconds in arrays, and whole milliseconds in the database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

HOUR_MS = 3_600_000

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)


def to_ms(time: datetime) -> int:
    """Milliseconds since 1970-01-01T00:00Z, cut down to a whole one. [ms]

    Raises
    ------
    TypeError : `time` has no offset.
    """
    return (time - _EPOCH) // _MILLISECOND


def from_ms(time_ms: int) -> datetime:
    """The aware UTC time of a stored number of milliseconds."""
    return _EPOCH + timedelta(milliseconds=time_ms)


def hour_of(time_ms: int) -> int:
    """Start of the clock hour (UTC) that holds a time. [ms]"""
    return time_ms - time_ms % HOUR_MS
