"""Times of the analysis: POSIX seconds inside, aware datetimes outside."""

from __future__ import annotations

from datetime import UTC, datetime

WEEK_D = 7
"""Days of a week. [days]"""

WEEK_H = 24 * WEEK_D
"""Hours of a week. [h]"""

DAY_S = 86_400.0
"""Seconds of a day. [s]"""


def utc(time_s: float) -> datetime:
    """A POSIX time as an aware datetime."""
    return datetime.fromtimestamp(time_s, UTC)
