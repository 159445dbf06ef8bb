"""A real PostgreSQL for tests: a server of its own on a free port of loopback, run by a user without rights."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from typing import Self

from brokers import wait_until

from monitord.ingest.mqtt.embedded_broker import LOOPBACK, free_port

_SETTINGS = """
listen_addresses = '{host}'
port = {port}
unix_socket_directories = ''
fsync = off
synchronous_commit = off
full_page_writes = off
max_connections = 120
shared_buffers = 16MB
logging_collector = off
"""
"""Without fsync: the tests kill no machine, and what is asked is whether our statements are right."""


def _programs() -> Path:
    """Folder of the newest server; a test that needs it fails without it."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    other = shutil.which("postgres")
    assert other, "this test needs a PostgreSQL server: apt-get install postgresql"
    return Path(other).parent


class Postgres:
    """The server. Started by root it runs as `nobody`, since it refuses to be root's.

    Its folder is no test's own: those are closed to any other user.
    """

    def __init__(self) -> None:
        self.port = free_port()
        self._bin = _programs()
        self._process: subprocess.Popen[bytes] | None = None
        self._folder = Path(tempfile.mkdtemp(prefix="monitord-postgresql-"))
        self._data, self._log = self._folder / "data", self._folder / "log"
        self._as: dict[str, int] = {}
        if os.geteuid() == 0:
            nobody = pwd.getpwnam("nobody")
            self._as = {"user": nobody.pw_uid, "group": nobody.pw_gid}
            os.chown(self._folder, nobody.pw_uid, nobody.pw_gid)

    def start(self) -> Self:
        """Make a cluster and start the server."""
        words = [self._bin / "initdb", "-D", self._data, "-U", "monitord", "-E", "UTF8", "-A", "trust", "-N"]
        words += ["--locale=C.UTF-8"]
        made = subprocess.run(words, capture_output=True, check=False, cwd="/", **self._as)
        assert made.returncode == 0, made.stderr.decode()
        with (self._data / "postgresql.conf").open("a") as settings:
            settings.write(_SETTINGS.format(host=LOOPBACK, port=self.port))
        self.restart()
        return self

    def restart(self) -> None:
        """Start the server, also again on what it kept."""
        with self._log.open("ab") as log:
            command = [self._bin / "postgres", "-D", self._data]
            self._process = subprocess.Popen(command, stdout=log, stderr=log, cwd="/", **self._as)
        wait_until(self._answers, "PostgreSQL answers")

    def create(self, name: str) -> str:
        """Make a database; returns its URL."""
        self.run("postgres", f'CREATE DATABASE "{name}"')
        return f"postgresql+psycopg://monitord@{LOOPBACK}:{self.port}/{name}"

    def empty(self, database: str) -> None:
        """Take every row out of a database, and let numbering begin anew."""
        tables = "SELECT string_agg(quote_ident(tablename), ',') FROM pg_tables WHERE schemaname = 'public'"
        tables += " AND tablename <> 'alembic_version'"
        emptied = f"DO $$ BEGIN EXECUTE 'TRUNCATE ' || ({tables}) || ' RESTART IDENTITY CASCADE'; END $$"
        self.run(database, emptied)

    def run(self, database: str, statement: str) -> None:
        """One statement, by the server's own client library."""
        import psycopg

        with psycopg.connect(
            f"host={LOOPBACK} port={self.port} user=monitord dbname={database}", autocommit=True
        ) as to:
            to.execute(statement)  # type: ignore[call-overload]

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """End it, with all its connections."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(20)
            self._process = None

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"it ended: {self._log.read_text()}"
        ready = [self._bin / "pg_isready", "-q", "-h", LOOPBACK, "-p", str(self.port)]
        return subprocess.run(ready, check=False).returncode == 0

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop(signal.SIGQUIT)  # nothing of it is needed any more
        shutil.rmtree(self._folder)
