"""The only place that reads the wall clock; everything else is given a clock or a time."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the edges of the program ask for the time."""

    def now(self) -> datetime:
        """The present time, aware, UTC."""
        ...

    def wait_s(self, duration_s: float) -> float:
        """How many real seconds pass while this clock advances by `duration_s`. [s]"""
        ...


class SystemClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """The present time, aware, UTC."""
        return datetime.now(UTC)

    def wait_s(self, duration_s: float) -> float:
        """A second is a second."""
        return duration_s
