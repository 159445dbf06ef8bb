"""The only place that reads the wall clock; everything else is given a clock or a time."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
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


class AcceleratedClock:
    """A clock for simulated time: starts at `start` and runs `factor` times as fast as the machine's."""

    def __init__(self, start: datetime, factor: float) -> None:
        self._start = start
        self._factor = factor
        self._origin = time.monotonic()

    @property
    def factor(self) -> float:
        """Simulated seconds per real second."""
        return self._factor

    def now(self) -> datetime:
        """The simulated time, aware, UTC."""
        return self._start + timedelta(seconds=(time.monotonic() - self._origin) * self._factor)

    def wait_s(self, duration_s: float) -> float:
        """Real seconds that `duration_s` simulated seconds take. [s]"""
        return duration_s / self._factor
