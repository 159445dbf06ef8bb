"""Several processes of each role on one PostgreSQL and one broker; some are killed, some stopped and let go on.

`tests/endure.py` runs it at length, a test runs it short. It says what it measured and asserts what must hold.
"""

from __future__ import annotations

import os
import random
import re
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path
from typing import Any

import daemon_child
import httpx
import numpy as np
from brokers import Mosquitto, Publisher, SessionPeek, open_connections, wait_until
from endurance import FILTER, PATIENCE_S, PROBES, RULES, SPAN, Stream, forks
from postgres import Postgres
from sqlalchemy import text

from monitord.clock import SystemClock
from monitord.model.jobs import JobFile
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.series.readings import load_hourly

ROLES = ("ingest", "assess", "notify", "web")
OF_EACH = 3
LEASE_S = 3.0

_WET = "document::json ->> 'kind' = 'condensation'"

SETTINGS = """
[database]
url = "{url}"
[broker]
port = {port}
[assess]
interval_s = 0.5
timer_s = 2.0
[web]
port = 0
[alerts]
group_wait_s = 0
group_interval_s = 0
rules_file = "{folder}/rules.toml"
people = [{{ id = "anna", ways = [{{ channel = "log" }}] }}]
channels = [{{ name = "log", url = "log://" }}]
"""


class TeamStream(Stream):
    """Readings of ten jobs: a room each, and the yard before it. The cold surfaces become wet half way."""

    def temperature(self, i: int) -> float:
        return (-5.0 if i % 2 else 22.0) + (i // PROBES) % 100 / 1000

    def humidity(self, i: int) -> float:
        wet = self.time(i) - self.start > SPAN / 2
        return 85.0 if i % 2 else 75.0 if wet else 30.0


class Team:
    """A folder with settings, a broker, a database, and the processes that share the work."""

    def __init__(self, folder: Path, count: int, server: Postgres, processes: ForkServerContext) -> None:
        self._folder, self._forks = folder, processes
        self.stream = TeamStream(count, SystemClock().now().replace(microsecond=0) - SPAN)
        self.broker = Mosquitto(folder / "broker", save_every=100_000)
        self.url = server.create("team")
        self.running: dict[tuple[str, int], ForkServerProcess] = {}
        self.jobs = [self._job(n) for n in range(0, PROBES, 2)]
        self._db: Database | None = None

    def _job(self, n: int) -> JobFile:
        at = ((n, "room"), (n + 1, "yard"))
        return JobFile.model_validate(
            {
                "job": f"J{n}",
                "start": self.stream.start,
                "locations": [{"id": "room", "kind": "room_air", "f_rsi": 0.6}, {"id": "yard", "kind": "outdoor_air"}],
                "probes": [{"id": f"p{k}", "location_id": where, "from": self.stream.start} for k, where in at],
            }
        )

    @contextmanager
    def prepared(self) -> Iterator[None]:
        (self._folder / "monitord.toml").write_text(
            SETTINGS.format(folder=self._folder, url=self.url, port=self.broker.port)
        )
        (self._folder / "rules.toml").write_text(RULES)
        self._db = Database.open(self.url)
        with self._db.write() as conn:
            for job in self.jobs:
                apply_job(conn, job)
        for member in range(OF_EACH):  # the broker knows them before the first message
            SessionPeek(self._session(member), [f"$share/monitord/{FILTER}"]).close()
        try:
            yield
        finally:
            for process in self.running.values():
                process.kill()
                process.join(PATIENCE_S)
            self._db.close()

    def _session(self, member: int) -> Any:
        return self.broker.settings(client_id=f"monitord-{member}")

    # --- processes --------------------------------------------------------------------------------------------

    def start(self, role: str, number: int) -> None:
        words = ("--role", role, *(("--name", str(number)) if role == "ingest" else ()))
        config, log = self._folder / "monitord.toml", self._folder / f"{role}-{number}.log"
        process = self._forks.Process(target=daemon_child.run, args=(str(config), str(log), words, LEASE_S))
        process.start()
        self.running[role, number] = process

    def kill(self, role: str, number: int) -> None:
        process = self.running.pop((role, number))
        process.kill()
        process.join(PATIENCE_S)
        assert process.exitcode == -signal.SIGKILL, self.log(role, number)

    def log(self, role: str, number: int) -> str:
        return (self._folder / f"{role}-{number}.log").read_text()

    def ready(self) -> list[str]:
        """What each dashboard says of how all is."""
        logs = [self.log("web", number) for number in range(OF_EACH)]
        urls = [found[1] for log in logs if (found := re.search(r"dashboard at (http://\S+)", log))]
        return [httpx.get(f"{url}readyz", timeout=30).text.strip() for url in urls]

    def stop(self) -> None:
        """End all of them as a service is ended."""
        for process in self.running.values():
            process.terminate()
        for (role, number), process in self.running.items():
            process.join(PATIENCE_S)
            assert process.exitcode == 0, self.log(role, number)
        self.running.clear()

    # --- what the database says -------------------------------------------------------------------------------

    def rows(self, query: str, **values: object) -> list[tuple[Any, ...]]:
        assert self._db is not None
        with self._db.read() as conn:
            return [tuple(row) for row in conn.execute(text(query), values)]

    def stored(self) -> int:
        return int(self.rows("SELECT count(*) FROM reading")[0][0])

    def living(self) -> int:
        return int(
            self.rows("SELECT count(*) FROM worker WHERE until_ms > 1000 * extract(epoch FROM clock_timestamp())")[0][0]
        )

    def wait_for_the_end(self) -> None:
        wait_until(lambda: self.stored() == self.stream.count, "all is stored", PATIENCE_S)
        marks = dict(self.rows("SELECT job, mark FROM mark"))
        seen = "SELECT job, assessed FROM mark"
        wait_until(lambda: all(n >= marks[job] for job, n in self.rows(seen)), "all is assessed", PATIENCE_S)
        told = "SELECT 1 FROM outbox_item WHERE subject = fingerprint AND outbox_item.episode = alert.episode"
        due = "opened_ms IS NOT NULL AND document::json ->> 'inhibited_by' IS NULL"
        untold = f"SELECT 1 FROM alert WHERE {_WET} AND {due} AND NOT EXISTS ({told})"
        waiting = "SELECT 1 FROM outbox WHERE state = 'waiting'"
        wait_until(lambda: not self.rows(f"{waiting} UNION ALL {untold}"), "all is told", PATIENCE_S)

    # --- what must hold ---------------------------------------------------------------------------------------

    def check(self) -> None:
        """Every message is stored once, what follows from readings agrees with them, each alert is told once."""
        raw = "SELECT p.name, r.time_ms, r.temperature_c FROM reading r JOIN probe_name p ON p.id = r.probe_id"
        readings = self.rows(raw)
        assert sorted(readings) == self.stream.expected()
        assert self.rows("SELECT topic, reason FROM quarantine") == []
        wait_until(lambda: open_connections(self.broker.port) == 0, "the broker has read everything")
        for member in range(OF_EACH):
            peek = SessionPeek(self._session(member))
            peek.wait_for_all()
            peek.close()
            assert not peek.messages, f"member {member} has left {len(peek.messages)}"
        self._check_hours(readings)
        self._check_alerts()

    def _check_hours(self, readings: list[tuple[Any, ...]]) -> None:
        assert self._db is not None
        with self._db.read() as conn:
            hours = load_hourly(conn, self.jobs[0].probes[0], self.stream.start + SPAN)
        raw = np.array([(ms // 3_600_000, celsius) for probe, ms, celsius in readings if probe == "p0"])
        assert len(hours) >= 5
        for hour_s, count, median in zip(hours.hour_s, hours.count, hours.temperature_c, strict=True):
            inside = raw[raw[:, 0] == hour_s // 3600, 1]
            assert (count, median) == (len(inside), np.median(inside))

    def _check_alerts(self) -> None:
        steps = Counter(
            self.rows("SELECT fingerprint, episode, event FROM alert_event WHERE event != 'severity_changed'")
        )
        assert set(steps.values()) == {1}, steps
        found = self.rows("SELECT fingerprint, episode, status FROM alert WHERE opened_ms IS NOT NULL")
        wet = self.rows(f"SELECT DISTINCT job FROM alert WHERE {_WET}")
        assert len(wet) == len(self.jobs), f"wet surfaces raised alerts in {wet} only"
        for fingerprint, episode, status in found:
            assert steps[fingerprint, episode, "opened"] == 1
            assert steps[fingerprint, episode, "closed"] == (status == "closed")
        told = Counter(self.rows("SELECT subject, episode, news FROM outbox_item WHERE news IN ('opened', 'closed')"))
        assert set(told.values()) == {1}, told
        assert all(steps[step] == 1 for step in told)
        assert {state for (state,) in self.rows("SELECT state FROM outbox")} <= {"sent", "superseded"}


@dataclass(frozen=True)
class Shared:
    """What a run was."""

    kills: int
    pauses: int
    messages: int
    alerts: int
    taken_over: int
    """Assessments dropped, since another process had taken the job."""
    repeated: int
    """Messages that left twice, under the same id."""
    seconds: float


def share(folder: Path, rounds: int, *, seed: int = 1, each: int = 200) -> Shared:
    """In each round one process is killed and one is stopped for longer than its lease, under load."""
    chance, began = random.Random(seed), time.monotonic()
    with Postgres() as server, forks() as processes:
        team = Team(folder, rounds * each, server, processes)
        with team.broker, team.prepared():
            for role in ROLES:
                for number in range(OF_EACH):
                    team.start(role, number)
            wait_until(lambda: team.living() == len(team.running), "all are there", PATIENCE_S)
            wait_until(lambda: team.ready() == ["ready"] * OF_EACH, "each dashboard finds all is well", PATIENCE_S)
            with Publisher(team.broker.port, "load") as gateway:
                for one in range(rounds):
                    gateway.publish(map(team.stream.message, range(one * each, (one + 1) * each)))
                    _disturb(team, chance)
            team.wait_for_the_end()
            team.stop()
            logs = "".join(team.log(role, number) for role in ROLES for number in range(OF_EACH))
            team.check()
            alerts = team.rows("SELECT count(*) FROM alert WHERE opened_ms IS NOT NULL")[0][0]
            sent = "SELECT count(*) - count(DISTINCT message) FROM notification_log WHERE outcome = 'sent'"
            repeated = team.rows(sent)[0][0]
    taken_over = logs.count("taken over while")
    return Shared(rounds, rounds, team.stream.count, alerts, taken_over, repeated, time.monotonic() - began)


def _disturb(team: Team, chance: random.Random) -> None:
    """Kill one and stop another past its lease; both of them come back."""
    there = sorted(team.running)
    killed, paused = chance.sample(there, 2)
    process = team.running[paused]
    assert process.pid is not None
    process.join(chance.uniform(0.0, 0.5))  # the moment itself is drawn
    team.kill(*killed)
    os.kill(process.pid, signal.SIGSTOP)
    team.start(*killed)
    gone = "SELECT count(*) FROM worker WHERE id LIKE :id AND until_ms > 1000 * extract(epoch FROM clock_timestamp())"
    wait_until(lambda: team.rows(gone, id=f"%-{process.pid}-%")[0][0] == 0, "its time is over", PATIENCE_S)
    os.kill(process.pid, signal.SIGCONT)
