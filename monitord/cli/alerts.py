"""`monitord alert`: what is open, what could not be delivered, and a test message."""

from __future__ import annotations

import time
from argparse import Namespace
from collections.abc import Sequence

from monitord.alerts.sending.channels.opening import open_channels
from monitord.alerts.sending.test_message import enqueue_test, send_test
from monitord.cli.common import database_of, out, settings_of, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import MonitordError
from monitord.model.messages import Message, OutboxState
from monitord.store import alerts as stored_alerts
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database

_ASK_EVERY_S = 0.2


def list_alerts(parsed: Namespace) -> int:
    """Print the open alerts."""
    with database_of(parsed) as database, database.read() as connection:
        found = stored_alerts.open_alerts(connection, parsed.job)
    rows = (
        (a.fingerprint, a.job, a.kind, a.location or a.probe or a.gateway or "-", a.severity.value,
         show_time(a.opened_at), a.acknowledged_by or "-")
        for a in found
    )  # fmt: skip
    show_table(("fingerprint", "job", "kind", "where", "severity", "since", "taken on by"), rows)
    return 0


def list_undelivered(parsed: Namespace) -> int:
    """Print the messages that were given up."""
    with database_of(parsed) as database, database.read() as connection:
        found = stored_outbox.undeliverable(connection)
    rows = (
        (show_time(e.finished_at), e.message.person, e.message.channel, e.message.title, str(e.attempts),
         e.last_error or "-")
        for e in found
    )  # fmt: skip
    show_table(("given up", "person", "channel", "message", "tries", "last answer"), rows)
    return 0


def test_person(parsed: Namespace) -> int:
    """Send a person a test message by each of their ways."""
    settings = settings_of(parsed).alerts
    with database_of(parsed) as database:
        if parsed.by_daemon:
            with database.write() as connection:
                messages = enqueue_test(connection, settings, parsed.to, SystemClock().now())
            went = _wait(database, messages, parsed.wait_s)
        else:
            went = send_test(database, settings, open_channels(settings), parsed.to, SystemClock())
    for channel, wrong in went:
        out(f"{channel}: {wrong or 'sent'}")
    failed = [channel for channel, wrong in went if wrong]
    if failed:
        raise MonitordError(
            f"the test message did not go by {', '.join(failed)}", remedy="Mend that channel in the settings"
        )
    return 0


def _wait(database: Database, messages: Sequence[Message], wait_s: float) -> list[tuple[str, str]]:
    """How each message went, once the daemon has tried it; or that it did not."""
    until = time.monotonic() + wait_s
    while True:
        with database.read() as connection:
            entries = [stored_outbox.get_entry(connection, message.id) for message in messages]
        found = [entry for entry in entries if entry is not None]
        tried = [entry for entry in found if entry.state is not OutboxState.WAITING or entry.last_error]
        if len(tried) == len(messages) or time.monotonic() > until:
            break
        time.sleep(_ASK_EVERY_S)
    nobody = "nobody took it; does the daemon run on this database?"
    return [
        (entry.message.channel, "" if entry.state is OutboxState.SENT else (entry.last_error or nobody))
        for entry in found
    ]
