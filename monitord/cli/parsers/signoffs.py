"""`monitord signoff`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("signoff", help="confirm a slab or element by name, list or withdraw confirmations")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    add = verbs.add_parser(
        "add",
        help="confirm what is known of a slab or element now; it is frozen and never edited",
        epilog="`ready` is taken only where the verdict is ready. Later wetting raises an alert that says so.",
    )
    add.add_argument("job", metavar="JOB")
    add.add_argument("element", metavar="ELEMENT", help="id of the slab, or of the location")
    add.add_argument("--as", dest="statement", choices=("ready", "seen"), required=True, help="what is confirmed")
    add.add_argument("--by", required=True, metavar="NAME", help="who confirms it")
    add.add_argument("--role", default="", metavar="TEXT", help="such as project lead, floor layer")
    add.add_argument("--reading", default="", metavar="TEXT", help='their own reading: "74 %% RH, door, 40 mm"')
    add.add_argument("--note", default="", metavar="TEXT")
    add.set_defaults(run=Command("documents.signoffs", "add"))

    listing = verbs.add_parser("list", help="list the confirmations of a job, the withdrawn ones too")
    listing.add_argument("job", metavar="JOB")
    listing.set_defaults(run=Command("documents.signoffs", "list_signoffs"))

    back = verbs.add_parser("withdraw", help="withdraw a confirmation; it stays on record")
    back.add_argument("id", type=int, metavar="ID", help="as `monitord signoff list` shows it")
    back.add_argument("--by", required=True, metavar="NAME", help="who withdraws it")
    back.add_argument("--why", required=True, metavar="TEXT", help="the reason, for the record")
    back.set_defaults(run=Command("documents.signoffs", "withdraw"))
