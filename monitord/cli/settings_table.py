"""`monitord settings`: every setting with its default and help, as a table or as a commented file."""

from __future__ import annotations

from argparse import Namespace

from monitord.cli.common import out, settings_of, show_table
from monitord.model.config.settings_table import example_file, setting_rows


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
