"""`monitord run` in a fork of a process that has everything imported: it is up at once, so that many can be killed."""

from __future__ import annotations

import os
import sys

import monitord.daemon.wiring  # noqa: F401  imported here, once for all forks
from monitord.cli import main


def run(config: str, log: str) -> None:
    """The daemon, its log at the end of a file."""
    sink = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.dup2(sink, 2)
    sys.exit(main(["--config", config, "run"]))
