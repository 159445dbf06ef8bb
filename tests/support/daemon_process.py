"""`monitord run` in a process of its own, for tests that start, kill and question it."""

from __future__ import annotations

import fcntl
import os
import re
import signal
import subprocess
import sys
from datetime import timedelta
from functools import cached_property
from pathlib import Path

import httpx
from brokers import wait_until

from monitord.clock import SystemClock
from monitord.model.access import Role
from monitord.store.access import people, sessions
from monitord.store.db.database import Database

START_S, ANSWER_S, STOP_S = 60.0, 60.0, 30.0
"""Limits for a busy machine; a quiet one takes a few seconds. [s]"""


GATE = """
import fcntl
def wait_at_gate():
    with open("gate") as gate:
        fcntl.flock(gate, fcntl.LOCK_SH)
"""
"""Lines before the start of a daemon in the gate's folder: what calls the function waits while the gate is shut."""


class Gate:
    """Where a patched daemon waits until the test lets it pass: a lock of the operating system, open at first."""

    def __init__(self, folder: Path) -> None:
        self._file = (folder / "gate").open("w")

    def shut(self) -> None:
        """Whoever comes now waits."""
        fcntl.flock(self._file, fcntl.LOCK_EX)

    def open(self) -> None:
        """Whoever waits goes on."""
        fcntl.flock(self._file, fcntl.LOCK_UN)

    def close(self) -> None:
        """Leave it open for ever."""
        self._file.close()


class Running:
    """`monitord run` in a process of its own, with its log read line by line."""

    def __init__(self, folder: Path, settings: str, prelude: str = "", **environment: str) -> None:
        self._folder = folder
        config, self._log = folder / "monitord.toml", folder / "log"
        config.write_text(settings)
        start = f"{prelude}\nimport sys; from monitord.cli import main; sys.exit(main(sys.argv[1:]))"
        clean = {k: v for k, v in os.environ.items() if not k.startswith(("MONITORD_", "NOTIFY_", "WATCHDOG_"))}
        with self._log.open("w") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-c", start, "--config", str(config), "run"],
                stderr=sink,
                env=clean | environment,
                cwd=folder,
            )

    @property
    def log(self) -> str:
        return self._log.read_text()

    def wait_for(self, pattern: str, within_s: float = START_S) -> re.Match[str]:
        def over() -> bool:
            return self.process.poll() is not None or re.search(pattern, self.log) is not None

        try:
            wait_until(over, f"{pattern!r} in the log, or an end", within_s)
        finally:
            found = re.search(pattern, self.log)
            assert found is not None, f"no {pattern!r} in the log:\n{self.log}"
        return found

    @property
    def url(self) -> str:
        return self.wait_for(r"dashboard at (http://\S+/)")[1]

    @cached_property
    def _session(self) -> str:
        """Of someone who has signed in; by way of the database in the folder, as `settings_of` names it."""
        now = SystemClock().now()
        db = Database.open(f"sqlite:///{self._folder}/m.sqlite3", migrate=False)
        with db.write() as conn:
            if people.get_person(conn, "tester") is None:
                people.add_person(conn, "tester", "Tester", Role.OWNER, None, now)
            secret = sessions.open_session(conn, "tester", now, timedelta(days=1))
        db.close()
        return secret

    def shown(self, path: str) -> httpx.Response:
        """A page, as someone sees it who has signed in."""
        address = f"{self.url.rstrip('/')}{path}"
        return httpx.get(address, headers={"cookie": f"monitord={self._session}"}, timeout=10)

    def end(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(STOP_S)


def settings_of(folder: Path, port: int, more: str = "") -> str:
    """A settings file: a database in the folder, a broker on a port, a dashboard on a free one, short rounds."""
    return f"""
[database]
url = "sqlite:///{folder}/m.sqlite3"
[broker]
port = {port}
[assess]
interval_s = 0.3
timer_s = 1.0
[web]
port = 0
{more}"""
