"""`monitord run`, `demo`, `doctor` and `replay`: the commands that start the larger parts."""

from __future__ import annotations

import os
from argparse import Namespace

from monitord.cli.common import settings_of
from monitord.errors import ConfigurationError


def run(parsed: Namespace) -> int:
    """Run the daemon, or some of its roles, until it is stopped."""
    from monitord.daemon.process import run_until_stopped
    from monitord.model.config.roles import DaemonRole

    return run_until_stopped(settings_of(parsed), [DaemonRole(role) for role in parsed.roles], parsed.name)


def demo(parsed: Namespace) -> int:
    """Show the simulated house."""
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


def doctor(parsed: Namespace) -> int:
    """Check settings, database, broker, clock and channels."""
    from monitord.daemon.doctor import run_doctor

    return run_doctor(lambda: settings_of(parsed))


def replay(parsed: Namespace) -> int:
    """Run recorded readings through assessment and alerts."""
    from monitord.alerts.lifecycle.rule_files import rule_book
    from monitord.model.readiness.criteria_files import criteria_book
    from monitord.replay.run import run_replay

    settings = settings_of(parsed)
    rules, criteria = rule_book(settings.alerts.rules_file), criteria_book(settings.criteria.folder)
    workers = parsed.workers or os.cpu_count() or 1
    run_replay(parsed.folder, parsed.out, progress=True, rules=rules, workers=workers, criteria=criteria)
    return 0
