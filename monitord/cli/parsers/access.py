"""`monitord owner` and `monitord token`: their words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command

SCOPES = ("read", "ingest")
"""What a token may be good for, as `model.access.Scope` (a test holds the two together)."""


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    owner = commands.add_parser("owner", help="print a link by which someone becomes an owner")
    verbs = owner.add_subparsers(dest="verb", required=True, metavar="VERB")
    link = verbs.add_parser("link", help="works once, for a day: for the first start, or when a password is lost")
    link.set_defaults(run=Command("access", "owner_link"))

    token = commands.add_parser("token", help="make, list and revoke tokens of programs")
    verbs = token.add_subparsers(dest="verb", required=True, metavar="VERB")
    add = verbs.add_parser("add", help="make a token; it is shown once")
    add.add_argument("name", metavar="NAME", help="which program it is for")
    add.add_argument("--scope", choices=SCOPES, required=True, help="read everything, or hand readings in")
    add.set_defaults(run=Command("access", "add_token"))
    listing = verbs.add_parser("list", help="list the tokens")
    listing.set_defaults(run=Command("access", "list_tokens"))
    end = verbs.add_parser("revoke", help="revoke a token; holds at once")
    end.add_argument("id", type=int, metavar="ID", help="as `monitord token list` shows it")
    end.set_defaults(run=Command("access", "revoke_token"))
