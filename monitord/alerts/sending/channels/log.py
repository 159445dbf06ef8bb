"""The channel that needs nothing: messages go to the program's own log."""

from __future__ import annotations

import logging

from monitord.model.alerts import Severity
from monitord.model.messages import Message

_log = logging.getLogger("monitord.messages")
_LEVELS = {Severity.NOTE: logging.INFO, Severity.WATCH: logging.WARNING, Severity.ACT: logging.ERROR}


class LogChannel:
    """Writes each message's short form to the log."""

    def send(self, message: Message) -> None:
        """Write it; the level follows the severity."""
        _log.log(_LEVELS[message.severity], "to %s: %s", message.person, message.short)
