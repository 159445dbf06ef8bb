"""What a channel is: something that takes one message, or says why it could not."""

from __future__ import annotations

from typing import Protocol

from monitord.errors import MonitordError
from monitord.model.messages import Message


class ChannelError(MonitordError):
    """A channel could not deliver a message; it is tried again until its deadline."""


class Channel(Protocol):
    """One way out of the program. May be called from several threads at once."""

    def send(self, message: Message) -> None:
        """Deliver one message, within a bounded time.

        Raises
        ------
        ChannelError : it was not delivered, or nobody can tell.
        """
        ...
