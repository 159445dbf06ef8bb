"""`monitord quarantine`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command, time_argument


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("quarantine", help="list, release or drop what could not be understood")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    listing = verbs.add_parser("list", help="list the payloads that are held, with the reason, the latest first")
    listing.add_argument("--code", metavar="CODE", help="only those held for this reason code")
    listing.add_argument("--limit", type=int, default=50, metavar="N", help="at most this number; default: %(default)s")
    listing.set_defaults(run=Command("quarantine", "list_held"))

    letting_go = verbs.add_parser("release", help="decode held payloads again, by the topic rules of now")
    letting_go.add_argument("ids", nargs="*", type=int, metavar="ID", help="default: all of them")
    letting_go.set_defaults(run=Command("quarantine", "release_held"))

    dropping = verbs.add_parser("drop", help="remove held payloads for good; what is given must all hold")
    dropping.add_argument("ids", nargs="*", type=int, metavar="ID", help="of the list")
    dropping.add_argument("--code", metavar="CODE", help="only those held for this reason code")
    dropping.add_argument("--before", type=time_argument, metavar="TIME", help="only those that last came before it")
    dropping.add_argument("--all", dest="everything", action="store_true", help="all that are held")
    dropping.set_defaults(run=Command("quarantine", "drop_held"))
