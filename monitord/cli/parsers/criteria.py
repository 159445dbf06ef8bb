"""`monitord criteria`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("criteria", help="list, show or check the rules for the readiness of slabs")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    listing = verbs.add_parser("list", help="list the criteria that a job may name")
    listing.set_defaults(run=Command("documents.criteria", "list_criteria"))

    show = verbs.add_parser("show", help="show the rules of some criteria with their sources")
    show.add_argument("id", metavar="ID", help="as `monitord criteria list` shows it")
    show.set_defaults(run=Command("documents.criteria", "show_criteria"))

    check = verbs.add_parser("check", help="check criteria files; every mistake is named at once")
    check.add_argument("files", nargs="+", type=Path, metavar="FILE")
    check.set_defaults(run=Command("documents.criteria", "check_files"))
