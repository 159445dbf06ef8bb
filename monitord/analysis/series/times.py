"""Times of the analysis: POSIX seconds inside, aware datetimes outside."""

from __future__ import annotations

from datetime import UTC, datetime


def utc(time_s: float) -> datetime:
    """A POSIX time as an aware datetime."""
    return datetime.fromtimestamp(time_s, UTC)
