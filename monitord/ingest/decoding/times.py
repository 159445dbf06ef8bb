"""Times as they stand on the wire: RFC 3339 text and numbers of seconds, always with a known offset."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from monitord.errors import DecodeError

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

RFC3339 = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]+)?(?:[Zz]|[+-][0-9]{2}:[0-9]{2})$"
"""The date-time of RFC 3339 section 5.6. Python's own parser takes much more, also times without an offset."""

_PATTERN = re.compile(RFC3339)
_SECOND = slice(17, 19)
"""Where the seconds stand in a date-time: its year has four digits always."""


def parse_rfc3339(text: str) -> datetime:
    """Read an RFC 3339 date-time.

    A leap second (RFC 3339, 5.7: :60 at the end of a month, UTC) is held as the first second of the next day,
    as POSIX time does. Digits of a second beyond the sixth are dropped.

    Raises
    ------
    DecodeError : `bad_time`, not such a text, no offset, or no such day or hour.
    """
    if _PATTERN.match(text) is None:
        raise _bad(text, "a time is written as 2025-03-01T10:00:00Z or with an offset such as +02:00")
    text = text.upper()
    try:
        if text[_SECOND] == "60":
            return _leap_second(text)
        time = datetime.fromisoformat(text)
        return time if time.tzinfo is UTC else time.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise _bad(text, str(error)) from None


def _leap_second(text: str) -> datetime:
    before = datetime.fromisoformat(text[:17] + "59" + text[19:]).astimezone(UTC)
    after = before + timedelta(seconds=1)
    if (after.day, after.hour, after.minute) != (1, 0, 0):
        raise ValueError("a second 60 exists only at 23:59 UTC of the last day of a month")
    return after


def from_unix(value: float, per_second: int = 1) -> datetime:
    """Read a number of seconds (or, with `per_second` 1000, of milliseconds) since 1970-01-01T00:00:00Z.

    Raises
    ------
    DecodeError : `bad_time`, outside the years 1 to 9999.
    """
    try:
        return EPOCH + timedelta(seconds=value / per_second)
    except (OverflowError, ValueError) as error:
        raise _bad(f"{value!r}", str(error)) from None


def _bad(text: str, why: str) -> DecodeError:
    return DecodeError(
        "bad_time",
        f"{text[:60]!r} is not a time with an offset",
        where="time",
        why=why,
        remedy="Mend the sender's clock or its way of writing times",
    )
