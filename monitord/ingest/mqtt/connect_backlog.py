"""The backlog after a connect: messages that waited at the broker come at once, and nobody knows for how long."""

from __future__ import annotations

MIN_S = 5.0
"""Shortest that a backlog is taken to last: the broker may take its time with the first message. Our choice. [s]"""
PAUSE_S = 2.0
"""Pause after which the backlog is over. Our choice. [s]"""
MAX_S = 300.0
"""From then on messages count as live even if they come without a pause: a busy site has none. Our choice. [s]"""


class ConnectBacklog:
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
        if since >= MAX_S or (since >= MIN_S and now - self._last >= PAUSE_S):
            self._began = None
            return False
        self._last = now
        return True
