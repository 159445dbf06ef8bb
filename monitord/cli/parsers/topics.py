"""`monitord topics`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("topics", help="try a topic rule on a message, or watch what arrives")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    trial = verbs.add_parser("try", help="show step by step what the rules make of a message; stores nothing")
    trial.add_argument("--topic", required=True, metavar="TOPIC", help="as it was published on")
    trial.add_argument("--payload", required=True, type=Path, metavar="FILE", help="its bytes; - is standard input")
    trial.add_argument(
        "--rules", type=Path, metavar="FILE", help="TOML with [[topics]]; default: those of the settings"
    )
    trial.set_defaults(run=Command("topics", "try_rule"))

    watching = verbs.add_parser(
        "watch", help="show live what arrives and what each rule makes of it, with a draft for what none takes"
    )
    watching.add_argument("--filter", default="#", metavar="FILTER", help="topic filter; default: all that we may read")
    watching.add_argument(
        "--rules", type=Path, metavar="FILE", help="TOML with [[topics]]; default: those of the settings"
    )
    watching.add_argument("--broker", default="broker", metavar="NAME", help="which, of several in the settings")
    watching.add_argument("--for-s", type=float, default=60.0, metavar="N", help="how long; default: %(default)s")
    watching.add_argument("--count", type=int, metavar="N", help="end after this number of messages")
    watching.set_defaults(run=Command("topics", "watch"))
