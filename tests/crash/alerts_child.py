"""One run of the alert path in a process of its own, which may kill itself at a given point.

`run` does what the daemon does for one assessment: assess, commit, decide, enqueue, send, record. The channel is a file
that a line is appended to for each message, so what left the process before it died can be seen after.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

from alerts_support import HandClock, LongestPause, after, settings

from monitord.alerts import requests
from monitord.alerts.lifecycle.engine import step
from monitord.alerts.lifecycle.rules import AlertRules, Rule
from monitord.alerts.sending import outbox as alert_outbox
from monitord.alerts.sending.dispatcher import Dispatcher
from monitord.model.assessments import Finding
from monitord.model.messages import Message
from monitord.store import alerts as stored_alerts
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database

RULES = AlertRules([Rule(kind="condensation", unit="1", raise_at=0.5, clear_at=0.5)])

POINTS = (
    "alerts written, not committed",
    "alerts committed",
    "messages written, not committed",
    "messages committed",
    "try counted",
    "sent",
    "recorded, not committed",
    "recorded",
)
REPEATS = {"sent", "recorded, not committed"}
"""After a crash here nobody can tell that the message was sent, so it goes out again."""


def die() -> None:
    """As `kill -9` does."""
    os.kill(os.getpid(), signal.SIGKILL)


def then_die(work: Callable[..., Any]) -> Callable[..., Any]:
    """The same work, and death after it."""

    def wrapped(*args: Any, **kwargs: Any) -> Any:
        work(*args, **kwargs)
        die()

    return wrapped


class FileChannel:
    """Appends each message's id and news to a file, on disk before it returns."""

    def __init__(self, path: Path, point: str) -> None:
        self._path, self._point = path, point

    def send(self, message: Message) -> None:
        if self._point == "try counted":
            die()
        with self._path.open("a") as file:
            file.write(f"{message.id} {','.join(item.news for item in message.items)}\n")
            file.flush()
            os.fsync(file.fileno())
        if self._point == "sent":
            die()


def run(folder: str, minute: float, value: float, point: str = "") -> None:
    """Assess one value and tell what follows, up to the point where the process dies (none: to the end)."""
    db = Database.open(f"sqlite:///{folder}/db.sqlite3")
    clock, one = HandClock(after(minute)), settings()
    if point == "alerts written, not committed":
        stored_alerts.add_events = then_die(stored_alerts.add_events)
    if point == "messages written, not committed":
        stored_alerts.settle = then_die(stored_alerts.settle)
    if point == "recorded, not committed":
        stored_outbox.record_sent = then_die(stored_outbox.record_sent)
    finding = Finding(kind="condensation", location="north", measured_at=after(minute), value=value, unit="1")
    with db.write() as conn:
        known = stored_alerts.current_alerts(conn, "J1")
        requests.keep(conn, step(RULES, known, [finding], "J1", clock.now()))
    if point == "alerts committed":
        die()
    alert_outbox.enqueue_news(db, one, RULES, clock.now())
    if point == "messages committed":
        die()
    dispatcher = Dispatcher(db, {"mail": FileChannel(Path(folder) / "sent", point)}, clock, one, LongestPause())
    dispatcher.run_once()
    if point == "recorded":
        die()
    dispatcher.stop(5)
    db.close()
