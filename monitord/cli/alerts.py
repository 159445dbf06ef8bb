"""`monitord alert`: what is open, what could not be delivered, and a test message."""

from __future__ import annotations

import time
from argparse import ArgumentParser, Namespace, _SubParsersAction
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


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("alert", help="list what is open or undeliverable, send a test message")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    listing = verbs.add_parser("list", help="list the open alerts")
    listing.add_argument("--job", metavar="JOB", help="only those of this job")
    listing.set_defaults(run=_list)

    undelivered = verbs.add_parser("undelivered", help="list the messages that were given up, the latest first")
    undelivered.set_defaults(run=_undelivered)

    test = verbs.add_parser("test", help="send a person a test message by each of their ways")
    test.add_argument("--to", required=True, metavar="PERSON", help="id of the person, as in [[alerts.people]]")
    test.add_argument(
        "--by-daemon", action="store_true", help="leave it to the running daemon, the whole way that alerts take"
    )
    test.add_argument("--wait-s", type=float, default=60.0, metavar="N", help="for the daemon; default: %(default)s")
    test.set_defaults(run=_test)


def _list(parsed: Namespace) -> int:
    with database_of(parsed) as database, database.read() as connection:
        found = stored_alerts.open_alerts(connection, parsed.job)
    rows = (
        (a.fingerprint, a.job, a.kind, a.location or a.probe or a.gateway or "-", a.severity.value,
         show_time(a.opened_at), a.acknowledged_by or "-")
        for a in found
    )  # fmt: skip
    show_table(("fingerprint", "job", "kind", "where", "severity", "since", "taken on by"), rows)
    return 0


def _undelivered(parsed: Namespace) -> int:
    with database_of(parsed) as database, database.read() as connection:
        found = stored_outbox.undeliverable(connection)
    rows = (
        (show_time(e.finished_at), e.message.person, e.message.channel, e.message.title, str(e.attempts),
         e.last_error or "-")
        for e in found
    )  # fmt: skip
    show_table(("given up", "person", "channel", "message", "tries", "last answer"), rows)
    return 0


def _test(parsed: Namespace) -> int:
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
