"""`monitord quarantine`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("quarantine", help="list or release what could not be understood")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    listing = verbs.add_parser("list", help="list the payloads that are held, with the reason, the latest first")
    listing.add_argument("--code", metavar="CODE", help="only those held for this reason code")
    listing.add_argument("--limit", type=int, default=50, metavar="N", help="at most so many; default: %(default)s")
    listing.set_defaults(run=Command("quarantine", "list_held"))

    letting_go = verbs.add_parser("release", help="decode held payloads again, by the topic rules of now")
    letting_go.add_argument("ids", nargs="*", type=int, metavar="ID", help="default: all of them")
    letting_go.set_defaults(run=Command("quarantine", "release_held"))
