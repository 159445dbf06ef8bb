"""`monitord run`, `demo`, `doctor` and `replay`: their words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command, count_argument

ROLES = ("ingest", "assess", "web", "notify")
"""As in `model/config/roles.py`, which is not loaded here."""


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    run = commands.add_parser("run", help="run the daemon: ingest, assess, alert, dashboard")
    run.add_argument(
        "--role",
        action="append",
        dest="roles",
        default=[],
        choices=ROLES,
        metavar="ROLE",
        help="ingest, assess, web or notify, and to be given again for another: what this process does of work that it "
        "shares with others on one PostgreSQL database; default: everything, alone",
    )
    run.add_argument("--name", metavar="NAME", help="name of one of several processes with the role ingest, such as 1")
    run.set_defaults(run=Command("running", "run"))

    demo = commands.add_parser("demo", help="a simulated job over a real broker, with its dashboard")
    demo.add_argument("--speed", type=float, metavar="N", help="simulated seconds per second; default: from the scene")
    demo.add_argument("--port", type=int, default=8080, metavar="N", help="port of the dashboard; default: %(default)s")
    demo.add_argument("--exit", action="store_true", help="end when the simulation has ended")
    demo.set_defaults(run=Command("running", "demo"))

    doctor = commands.add_parser("doctor", help="check settings, database, broker, clock and channels")
    doctor.set_defaults(run=Command("running", "doctor"))

    replay = commands.add_parser("replay", help="run recorded readings through the same assessment and alerts")
    replay.add_argument("folder", type=Path, metavar="FOLDER", help="holds job.json and readings.csv")
    replay.add_argument("--out", type=Path, required=True, metavar="DIR", help="where the results are written")
    replay.add_argument(
        "--workers",
        type=count_argument,
        metavar="N",
        help="processes that share a long recording; default: one for each processor. The result is the same",
    )
    replay.set_defaults(run=Command("running", "replay"))
