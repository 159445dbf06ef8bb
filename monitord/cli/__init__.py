"""The command `monitord`: reads its words, hands them to one part of the program, and turns errors into one line.

Exit codes: 0 done; 1 it failed, and standard error says what, where and the remedy; 2 the words were wrong;
130 stopped by Ctrl-C.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import monitord
from monitord.cli import alerts, jobs, mutes, quarantine, running, settings_table
from monitord.errors import MonitordError

OK, FAILED, INTERRUPTED = 0, 1, 130


def build_parser() -> argparse.ArgumentParser:
    """All words of the command line, with their help."""
    parser = argparse.ArgumentParser(
        prog="monitord",
        description="Watches wet buildings dry: readings from MQTT, vapour-pressure comparison, alerts, a dashboard.",
        epilog="It informs; it replaces no manufacturer's limit, local code or licensed practice.",
        allow_abbrev=False,
    )
    parser.add_argument(
        "-c",
        "--config",
        type=Path,
        metavar="FILE",
        help="settings file (TOML); without it the one that MONITORD_CONFIG names, else defaults",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    running.add_parsers(commands)
    jobs.add_parsers(commands)
    alerts.add_parsers(commands)
    mutes.add_parsers(commands)
    quarantine.add_parsers(commands)
    settings_table.add_parsers(commands)
    version = commands.add_parser("version", help="print the version")
    version.set_defaults(run=_version)
    return parser


def _version(_: argparse.Namespace) -> int:
    sys.stdout.write(f"monitord {monitord.__version__}\n")
    return OK


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    parsed = build_parser().parse_args(arguments)
    try:
        return int(parsed.run(parsed))
    except MonitordError as error:
        sys.stderr.write(f"monitord: {error.message}\n")
        return FAILED
    except BrokenPipeError:  # the reader of our output, such as `head`, has gone
        sys.stderr.close()
        return OK
    except KeyboardInterrupt:
        return INTERRUPTED
