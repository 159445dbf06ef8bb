"""The rush after a connect: messages that waited at the broker come at once, and nobody knows for how long."""

from __future__ import annotations

LEAST_S = 5.0
"""A rush lasts so long at least: the broker may take its time with the first message. Our choice. [s]"""
PAUSE_S = 2.0
"""Without a message for so long, what waited is through. Our choice. [s]"""
MOST_S = 300.0
"""After so long messages count as live even if they come without a pause: a busy site has none. Our choice. [s]"""


class Rush:
    """Tells messages that may have waited from those that come as they are sent; by a monotonic clock."""

    def __init__(self) -> None:
        self._began: float | None = None
        self._last = 0.0

    def begin(self, now: float) -> None:
        """A session went on, or the network was left alone for long: what comes now may have waited."""
        self._began = self._last = now

    def delayed(self, now: float) -> bool:
        """Whether messages that come now may have waited; asked for each lot of them."""
        if self._began is None:
            return False
        since = now - self._began
        if since >= MOST_S or (since >= LEAST_S and now - self._last >= PAUSE_S):
            self._began = None
            return False
        self._last = now
        return True
