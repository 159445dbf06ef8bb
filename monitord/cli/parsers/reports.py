"""`monitord report` and `monitord export`: their words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command, add_units


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    report = commands.add_parser("report", help="write a job's report as PDF")
    report.add_argument("job", metavar="JOB")
    report.add_argument("--out", type=Path, required=True, metavar="FILE", help="such as quay-lane-14.pdf")
    add_units(report)
    report.add_argument("--language", default="en", metavar="NAME", help="such as en or de; default: %(default)s")
    report.set_defaults(run=Command("documents.reports", "make_report"))

    export = commands.add_parser("export", help="write a whole job as a workbook (.xlsx), or as CSV files in a folder")
    export.add_argument("job", metavar="JOB")
    export.add_argument("--out", type=Path, required=True, metavar="PATH", help="a file named .xlsx, or a folder")
    add_units(export)
    export.set_defaults(run=Command("documents.reports", "export_job"))
