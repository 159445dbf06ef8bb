"""`monitord run` in a fork of a process that has everything imported: it is up at once, so that many can be killed."""

from __future__ import annotations

import os
import sys

import monitord.daemon.process  # imported here, once for all forks
import monitord.daemon.shared_work
from monitord.cli import main


def run(config: str, log: str, words: tuple[str, ...] = (), lease_s: float | None = None) -> None:
    """The daemon, its log at the end of a file; with words after `run`, and leases that end sooner."""
    if lease_s is not None:
        monitord.daemon.shared_work.LEASE_S = lease_s
    sink = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.dup2(sink, 2)
    sys.exit(main(["--config", config, "run", *words]))
