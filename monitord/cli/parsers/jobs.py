"""`monitord job`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers import spots
from monitord.cli.parsers.arguments import Command, add_ending, time_argument


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("job", help="apply, export, list, pause, resume, close and archive jobs")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    apply = verbs.add_parser("apply", help="take job files (TOML or JSON) in; the same file again changes nothing")
    apply.add_argument("files", nargs="+", type=Path, metavar="FILE")
    apply.set_defaults(run=Command("jobs", "apply_files"))

    export = verbs.add_parser("export", help="write a job as a file that can be applied again")
    export.add_argument("job", metavar="JOB")
    export.add_argument("--format", choices=("toml", "json"), default="toml", help="default: %(default)s")
    export.add_argument("--out", type=Path, metavar="FILE", help="default: standard output")
    export.set_defaults(run=Command("jobs", "export_job"))

    listing = verbs.add_parser("list", help="list the jobs")
    listing.set_defaults(run=Command("jobs", "list_jobs"))

    close = verbs.add_parser("close", help="end a job: its probes are free, its alerts end, its readings stay")
    close.add_argument("job", metavar="JOB")
    close.add_argument("--at", type=time_argument, metavar="TIME", help="such as 2025-03-01T10:00:00Z; default: now")
    close.set_defaults(run=Command("jobs", "close_job"))

    pause = verbs.add_parser("pause", help="let a job raise no alerts for a while; it is still watched")
    pause.add_argument("job", metavar="JOB")
    pause.add_argument("--by", required=True, metavar="NAME", help="who wishes it")
    pause.add_argument("--why", required=True, metavar="TEXT", help="its alerts end with this word")
    add_ending(pause, required=False)
    pause.set_defaults(run=Command("jobs", "pause_job"))

    resume = verbs.add_parser("resume", help="let a paused job raise alerts again")
    resume.add_argument("job", metavar="JOB")
    resume.add_argument("--by", required=True, metavar="NAME", help="who wishes it")
    resume.set_defaults(run=Command("jobs", "resume_job"))

    archive = verbs.add_parser("archive", help="a closed job's raw readings into an evidence pack; roll-ups stay")
    archive.add_argument("job", metavar="JOB")
    archive.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="that the pack is written to")
    archive.add_argument("--key", type=Path, metavar="FILE", help="the firm's private key (PEM, Ed25519)")
    archive.set_defaults(run=Command("documents.archives", "archive"))

    back = verbs.add_parser("restore-readings", help="put the raw readings of an archived job back")
    back.add_argument("pack", type=Path, metavar="PACK", help="the file that `job archive` wrote")
    back.set_defaults(run=Command("documents.archives", "restore"))

    example = verbs.add_parser("example", help="print an example of a job file, with fresh dates")
    example.set_defaults(run=Command("jobs", "print_example"))

    schema = verbs.add_parser("schema", help="print the JSON Schema of job files")
    schema.set_defaults(run=Command("jobs", "print_schema"))
    spots.add_parsers(verbs)
