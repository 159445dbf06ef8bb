"""What a channel is: something that takes one message, or says why it could not."""

from __future__ import annotations

from typing import Protocol

from monitord.errors import MonitordError
from monitord.model.messages import Message


class ChannelError(MonitordError):
    """A channel could not deliver a message; it is tried again until its deadline."""

    def __init__(self, what: str, *, where: str | None = None, retry_after_s: float | None = None) -> None:
        super().__init__(what, where=where)
        self.retry_after_s = retry_after_s
        """For how long the other side asked to be left alone (Retry-After). [s]"""


class Channel(Protocol):
    """One way out of the program. May be called from several threads at once."""

    def send(self, message: Message) -> None:
        """Deliver one message, within a bounded time.

        Raises
        ------
        ChannelError : it was not delivered, or nobody can tell.
        """
        ...
