"""The log: one line for each event on standard error, for journald or a terminal, or as JSON for what collects logs."""

from __future__ import annotations

import json
import logging
import sys
import time
from datetime import UTC, datetime
from typing import TextIO

_CHATTY = ("uvicorn", "sqlalchemy", "alembic", "asyncio")
"""Libraries that report every step; only their warnings are ours."""


class _OneLine(logging.Formatter):
    """UTC times, and line breaks in a message made visible, so that nobody can forge a line of the log."""

    converter = staticmethod(time.gmtime)

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the name is the library's
        record.message = record.message.replace("\n", "\\n").replace("\r", "\\r")
        return super().formatMessage(record)


class _AsJson(logging.Formatter):
    """An object a line; JSON makes line breaks visible by itself."""

    def format(self, record: logging.LogRecord) -> str:
        stamp = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        line = {
            "time": stamp.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "part": record.name,
            "message": record.getMessage(),
            "thread": record.threadName,
        }
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def set_up_logging(level: str, stream: TextIO | None = None, form: str = "text") -> None:
    """Send the log to a stream (standard error); calling it again replaces what it did before.

    Parameters
    ----------
    form : `text` or `json`.
    """
    handler = logging.StreamHandler(stream or sys.stderr)
    text = _OneLine("%(asctime)sZ %(levelname)s %(name)s: %(message)s", "%Y-%m-%dT%H:%M:%S")
    handler.setFormatter(_AsJson() if form == "json" else text)
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    for name in _CHATTY:
        logging.getLogger(name).setLevel(logging.WARNING)
    # A round that is skipped because the last one still runs is no news: being behind is an alert of its own.
    logging.getLogger("apscheduler").setLevel(logging.ERROR)
    # Its complaints quote URLs with the passwords in them; the channel that called it says what went wrong.
    apprise = logging.getLogger("apprise")
    apprise.setLevel(logging.WARNING)
    apprise.propagate = False
    if not apprise.handlers:
        apprise.addHandler(logging.NullHandler())
