"""Times as they stand on the wire: RFC 3339 text and numbers of seconds, always with a known offset."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitord.errors import DecodeError
from monitord.model.config.broker import TimeFormat

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

RFC3339 = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]+)?(?:[Zz]|[+-][0-9]{2}:[0-9]{2})$"
"""The date-time of RFC 3339 section 5.6. Python's own parser takes much more, also times without an offset."""

_PATTERN = re.compile(RFC3339)
_LENIENT = re.compile(
    r"(?P<day>[0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ](?P<clock>[0-9]{2}:[0-9]{2}:[0-9]{2}(?:[.,][0-9]+)?)"
    r" ?(?P<offset>[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
"""What gateways write: also a space for the T, an offset without its colon or minutes, or none."""
PER_SECOND = {
    TimeFormat.UNIX_S: 1,
    TimeFormat.UNIX_MS: 10**3,
    TimeFormat.UNIX_US: 10**6,
    TimeFormat.UNIX_NS: 10**9,
}
"""Units of a second, for each way to write a time as a number."""
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_LATEST = datetime(2100, 1, 1, tzinfo=UTC)
"""Where a gateway's number is taken for a time; outside, its unit is wrong or its clock was never set. Our choice."""
_CLOCKS_DIFFER = timedelta(minutes=10)
"""How far a gateway's clock may be ahead of ours where that decides between two readings of a local time."""
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
    return parse_matched(text)


def parse_matched(text: str) -> datetime:
    """The same for a text that the pattern `RFC3339` is known to match.

    Raises
    ------
    DecodeError : `bad_time`, no such day or hour.
    """
    if text[-1] == "z":
        text = text.upper()
    try:
        time = _leap_second(text) if text[_SECOND] == "60" else datetime.fromisoformat(text)
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


def read_number(value: float, unit: TimeFormat, received_at: datetime) -> datetime:
    """Read a gateway's number in the unit that its rule states.

    Raises
    ------
    DecodeError : `bad_time`; where another unit would make sense of the number, it says which.
    """
    time = _plausible(value, unit)
    if time is not None:
        return time
    fits = [(abs(other - received_at), name) for name in PER_SECOND if (other := _plausible(value, name)) is not None]
    raise DecodeError(
        "bad_time",
        f"{value!r} is not a time of our days in {unit}",
        where="time",
        why=f"it would be one in {min(fits)[1]}" if fits else "the clock of the sender may never have been set",
        remedy="Check time_format in the rule's mapping" + ("" if fits else ", then the sender's clock"),
    )


def _plausible(value: float, unit: TimeFormat) -> datetime | None:
    try:
        time = from_unix(value, PER_SECOND[unit])
    except DecodeError:
        return None
    return time if _EARLIEST <= time < _LATEST else None


def read_text(text: str, zone: str | None, received_at: datetime) -> datetime:
    """Read a date and time as gateways write them.

    Parameters
    ----------
    zone : IANA name of the zone of a text without an offset; None: such a text is refused. Of the two times that an
        hour set back in autumn makes of one text, the later is taken that had come by `received_at`.

    Raises
    ------
    DecodeError : `bad_time`, also for a local time that an hour set forward in spring leaves out.
    """
    found = _LENIENT.fullmatch(text.strip())
    if found is None:
        raise _bad(text, "a time is written as 2025-03-01T10:00:00Z or with an offset such as +02:00")
    day, clock, offset = found["day"], found["clock"].replace(",", "."), found["offset"]
    if offset is not None:
        minutes = offset[1:].replace(":", "")
        full = "Z" if offset in "Zz" else f"{offset[0]}{minutes[:2]}:{minutes[2:] or '00'}"
        return parse_rfc3339(f"{day}T{clock}{full}")
    if zone is None:
        raise DecodeError(
            "bad_time",
            f"{text[:60]!r} has no offset",
            where="time",
            why="nobody can know which hour is meant",
            remedy="Give the rule's mapping time_zone, such as Europe/London, or let the sender write the offset",
        )
    return _local(f"{day}T{clock}", ZoneInfo(zone), received_at)


def _local(text: str, zone: ZoneInfo, received_at: datetime) -> datetime:
    naive = parse_rfc3339(f"{text}Z").replace(tzinfo=None)
    try:
        both = [naive.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (1, 0)]
        real = [time for time in both if time.astimezone(zone).replace(tzinfo=None) == naive]
    except OverflowError as error:
        raise _bad(text, str(error)) from None
    if not real:
        raise _bad(text, f"the clocks of {zone.key} left this hour out")
    return next((time for time in real if time <= received_at + _CLOCKS_DIFFER), real[-1])


def _bad(text: str, why: str) -> DecodeError:
    return DecodeError(
        "bad_time",
        f"{text[:60]!r} is not a time with an offset",
        where="time",
        why=why,
        remedy="Mend the sender's clock or its way of writing times",
    )
