"""`monitord backup`, `restore` and `broker`: their words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    backup = commands.add_parser("backup", help="copy the database, also while the daemon runs, and check the copy")
    backup.add_argument("--to", type=Path, metavar="FOLDER", help="default: `backup.folder` of the settings")
    backup.set_defaults(run=Command("maintenance", "backup"))

    restore = commands.add_parser("restore", help="put a backup in the place of the database; stop the daemon first")
    restore.add_argument("file", type=Path, metavar="FILE", help="a backup")
    restore.add_argument("--replace", action="store_true", help="move a database that is there aside first")
    restore.set_defaults(run=Command("maintenance", "restore"))

    broker = commands.add_parser("broker", help="what is to be done once on the MQTT broker")
    verbs = broker.add_subparsers(dest="verb", required=True, metavar="VERB")
    session = verbs.add_parser("session", help="subscribe, so that the broker keeps readings before the first start")
    session.set_defaults(run=Command("maintenance", "make_session"))
