"""Clocks for tests: one that lets simulated time run, one that stands where it is put."""

from __future__ import annotations

import time
from datetime import datetime, timedelta


class AcceleratedClock:
    """Starts at `start` and runs `factor` times as fast as the machine's."""

    def __init__(self, start: datetime, factor: float) -> None:
        self._start = start
        self._factor = factor
        self._origin = time.monotonic()

    def now(self) -> datetime:
        """The simulated time, aware, UTC."""
        return self._start + timedelta(seconds=(time.monotonic() - self._origin) * self._factor)

    def wait_s(self, duration_s: float) -> float:
        """Real seconds that `duration_s` simulated seconds take. [s]"""
        return duration_s / self._factor


class SetClock:
    """Stands where the test puts it."""

    def __init__(self, time: datetime) -> None:
        self.time = time

    def now(self) -> datetime:
        return self.time

    def wait_s(self, duration_s: float) -> float:
        return duration_s
