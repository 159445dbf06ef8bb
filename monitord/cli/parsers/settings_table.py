"""`monitord settings`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of this command."""
    parser = commands.add_parser("settings", help="list every setting with its default and help")
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument("--example", action="store_true", help="print a commented settings file instead")
    shown.add_argument("--check", action="store_true", help="only read the settings and say whether they are right")
    parser.set_defaults(run=Command("settings_table", "run"))
