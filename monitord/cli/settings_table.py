"""`monitord settings`: every setting with its default and help, as a table or as a commented file."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace, _SubParsersAction

from monitord.cli.common import out, settings_of, show_table
from monitord.model.config.settings_table import example_file, setting_rows


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of this command."""
    parser = commands.add_parser("settings", help="list every setting with its default and help")
    shown = parser.add_mutually_exclusive_group()
    shown.add_argument("--example", action="store_true", help="print a commented settings file instead")
    shown.add_argument("--check", action="store_true", help="only read the settings and say whether they are right")
    parser.set_defaults(run=run)


def run(parsed: Namespace) -> int:
    """Carry out the command."""
    if parsed.check:
        settings_of(parsed)
        out("The settings are right.")
    elif parsed.example:
        out(example_file().rstrip("\n"))
    else:
        show_table(("setting", "default", "meaning"), ((r.name, r.default, r.help) for r in setting_rows()))
    return 0
