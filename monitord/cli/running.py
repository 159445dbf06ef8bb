"""`monitord run`, `demo`, `doctor` and `replay`: the commands that start the larger parts."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace, _SubParsersAction
from pathlib import Path

from monitord.cli.common import settings_of
from monitord.errors import ConfigurationError


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    run = commands.add_parser("run", help="run the daemon: ingest, assess, alert, dashboard")
    run.set_defaults(run=_run)

    demo = commands.add_parser("demo", help="a simulated job over a real broker, with its dashboard")
    demo.add_argument("--speed", type=float, metavar="N", help="simulated seconds per second; default: from the scene")
    demo.add_argument("--port", type=int, default=8080, metavar="N", help="port of the dashboard; default: %(default)s")
    demo.add_argument("--exit", action="store_true", help="end when the simulation has ended")
    demo.set_defaults(run=_demo)

    doctor = commands.add_parser("doctor", help="check settings, database, broker, clock and channels")
    doctor.set_defaults(run=_doctor)

    replay = commands.add_parser("replay", help="run recorded readings through the same assessment and alerts")
    replay.add_argument("folder", type=Path, metavar="FOLDER", help="holds job.json and readings.csv")
    replay.add_argument("--out", type=Path, required=True, metavar="DIR", help="where the results are written")
    replay.set_defaults(run=_replay)


def _run(parsed: Namespace) -> int:
    from monitord.daemon.wiring import run_until_stopped

    return run_until_stopped(settings_of(parsed))


def _demo(parsed: Namespace) -> int:
    try:
        from simulators.demo.run import run_demo
    except ModuleNotFoundError as error:
        if error.name is None or not error.name.startswith("simulators"):
            raise
        raise ConfigurationError(
            "the demo is not part of the installed program",
            why="its simulated house lives in the source checkout, in the folder `simulators`",
            remedy="In a checkout of the source: python3 deploy/bootstrap.py demo",
        ) from None

    return run_demo(speed=parsed.speed, port=parsed.port, exit_at_end=parsed.exit)


def _doctor(parsed: Namespace) -> int:
    from monitord.daemon.doctor import run_doctor

    return run_doctor(lambda: settings_of(parsed))


def _replay(parsed: Namespace) -> int:
    from monitord.alerts.lifecycle.rule_files import rule_book
    from monitord.replay.run import run_replay

    rules = rule_book(settings_of(parsed).alerts.rules_file)
    run_replay(parsed.folder, parsed.out, progress=True, rules=rules, workers=os.cpu_count() or 1)
    return 0
