"""`monitord alert`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("alert", help="list what is open or undeliverable, send a test message")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    listing = verbs.add_parser("list", help="list the open alerts")
    listing.add_argument("--job", metavar="JOB", help="only those of this job")
    listing.set_defaults(run=Command("alerts", "list_alerts"))

    undelivered = verbs.add_parser("undelivered", help="list the messages that were given up, the latest first")
    undelivered.set_defaults(run=Command("alerts", "list_undelivered"))

    test = verbs.add_parser("test", help="send a person a test message by each of their ways")
    test.add_argument("--to", required=True, metavar="PERSON", help="id of the person, as in [[alerts.people]]")
    test.add_argument(
        "--by-daemon", action="store_true", help="leave it to the running daemon, the whole way that alerts take"
    )
    test.add_argument("--wait-s", type=float, default=60.0, metavar="N", help="for the daemon; default: %(default)s")
    test.set_defaults(run=Command("alerts", "test_person"))
