"""The whole command line, put together from the words of each command."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitord.cli.parsers import (
    access,
    alerts,
    criteria,
    evidence,
    jobs,
    maintenance,
    mutes,
    probe_checks,
    quarantine,
    reports,
    running,
    settings_table,
    signoffs,
    topics,
)
from monitord.cli.parsers.arguments import Command


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
    access.add_parsers(commands)
    jobs.add_parsers(commands)
    criteria.add_parsers(commands)
    signoffs.add_parsers(commands)
    evidence.add_parsers(commands)
    reports.add_parsers(commands)
    alerts.add_parsers(commands)
    mutes.add_parsers(commands)
    probe_checks.add_parsers(commands)
    quarantine.add_parsers(commands)
    maintenance.add_parsers(commands)
    topics.add_parsers(commands)
    settings_table.add_parsers(commands)
    version = commands.add_parser("version", help="print the version")
    version.set_defaults(run=Command("version", "show_version"))
    return parser
