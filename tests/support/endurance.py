"""Long runs of the whole daemon with a real broker: killed again and again, and with a backlog waiting.

`tests/endure.py` runs them at length, tests run them short. Each says what it measured and asserts what must hold.
"""

from __future__ import annotations

import multiprocessing.forkserver
import os
import random
import signal
import sqlite3
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path
from typing import Any

import daemon_child
import httpx
import numpy as np
from brokers import Mosquitto, Publisher, SessionPeek, left_in_session, wait_until

from monitord.clock import SystemClock
from monitord.model.jobs import JobFile
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.series.readings import load_hourly

ROOT = Path(__file__).parents[2]
PATIENCE_S = 120.0
PROBES = 20
SPAN = timedelta(hours=6)
"""Of the readings that a run publishes; they end now, so that alerts of this day come of them."""
FILTER = "monitord/#"

_READINGS = """
SELECT p.name, r.time_ms,
    CASE typeof(r.temperature_c) WHEN 'integer' THEN r.temperature_c / 100.0 ELSE r.temperature_c END
FROM reading AS r JOIN probe_name AS p ON p.id = r.probe_id
"""
"""As the tables have them: whole hundredths where a value is one (monitord/store/db/tables.py)."""

SETTINGS = """
[database]
url = "sqlite:///{folder}/m.sqlite3"
[broker]
port = {port}
[assess]
interval_s = 0.2
timer_s = 1.0
[web]
port = 0
[alerts]
rules_file = "{folder}/rules.toml"
people = [{{ id = "anna", ways = [{{ channel = "log" }}] }}]
channels = [{{ name = "log", url = "log://" }}]
"""
RULES = """
[rules.condensation]
hold_s = 60
clear_hold_s = 60
minimum_readings = 1
"""


@dataclass(frozen=True)
class Stream:
    """Readings of twenty probes, two of them of a job: its cold surface becomes wet half way."""

    count: int
    start: datetime

    @property
    def step(self) -> timedelta:
        return SPAN / (self.count // PROBES + 1)

    def time(self, i: int) -> datetime:
        return self.start + timedelta(milliseconds=int((i // PROBES) * self.step / timedelta(milliseconds=1)))

    def message(self, i: int) -> tuple[str, bytes]:
        topic = f"monitord/attic/p{i % PROBES}/reading"
        return topic, (
            f'{{"time":"{self.time(i).isoformat()}","temperature_c":{self.temperature(i)},'
            f'"relative_humidity_pct":{self.humidity(i)}}}'
        ).encode()

    def temperature(self, i: int) -> float:
        return (-5.0 if i % PROBES == 1 else 22.0) + (i // PROBES) % 100 / 1000

    def humidity(self, i: int) -> float:
        wet = self.time(i) - self.start > SPAN / 2
        return 85.0 if i % PROBES == 1 else 75.0 if wet else 30.0

    def expected(self) -> list[tuple[str, int, float]]:
        return sorted(
            (f"p{i % PROBES}", round(self.time(i).timestamp() * 1000), self.temperature(i)) for i in range(self.count)
        )


@contextmanager
def forks() -> Iterator[ForkServerContext]:
    """Processes that have the daemon imported already; memory is not shared."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["daemon_child"])
    before = dict(os.environ)
    for name in [name for name in os.environ if name.startswith(("MONITORD_", "NOTIFY_", "WATCHDOG_"))]:
        del os.environ[name]
    os.environ["PYTHONPATH"] = os.pathsep.join([str(Path(__file__).parent), str(ROOT)])
    try:
        multiprocessing.forkserver.ensure_running()
        yield context
    finally:
        os.environ.clear()
        os.environ.update(before)
        multiprocessing.forkserver._forkserver._stop()  # type: ignore[attr-defined]


class House:
    """A folder with settings, a job, a broker, and the daemon that is started on them."""

    def __init__(self, folder: Path, count: int, processes: ForkServerContext) -> None:
        self.folder = folder
        self._forks = processes
        self.stream = Stream(count, SystemClock().now().replace(microsecond=0) - SPAN)
        self.broker = Mosquitto(folder / "broker", save_every=100_000)
        self.file = folder / "m.sqlite3"

    def prepare(self) -> None:
        (self.folder / "monitord.toml").write_text(SETTINGS.format(folder=self.folder, port=self.broker.port))
        (self.folder / "rules.toml").write_text(RULES)
        placements = [
            {"id": f"p{n}", "location_id": where, "from": self.stream.start} for n, where in enumerate(("room", "yard"))
        ]
        self.job = JobFile.model_validate(
            {
                "job": "J1",
                "start": self.stream.start,
                "locations": [
                    {"id": "room", "kind": "room_air", "f_rsi": 0.6},
                    {"id": "yard", "kind": "outdoor_air"},
                ],
                "probes": placements,
            }
        )
        db = Database.open(f"sqlite:///{self.file}")
        with db.write() as conn:
            apply_job(conn, self.job)
        db.close()
        SessionPeek(self.broker.settings(), [FILTER]).close()  # the broker knows the session before the first message

    def start(self) -> ForkServerProcess:
        process = self._forks.Process(
            target=daemon_child.run, args=(str(self.folder / "monitord.toml"), str(self.folder / "log"))
        )
        process.start()
        return process

    @contextmanager
    def running(self) -> Iterator[ForkServerProcess]:
        process = self.start()
        try:
            yield process
        finally:
            process.terminate()
            process.join(PATIENCE_S)
        # 1: it ended by itself, not everything in time; by the signal: it was told before it had begun to listen
        assert process.exitcode in (0, 1, -signal.SIGTERM), process.exitcode

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        with closing(sqlite3.connect(f"file:{self.file}?mode=ro", uri=True, timeout=20)) as connection:
            return connection.execute(query).fetchall()

    def stored(self) -> int:
        return int(self.rows("SELECT count(*) FROM reading")[0][0])

    def wait_for_assessment(self) -> None:
        """Until everything that is stored now has been assessed."""
        ((mark,),) = self.rows("SELECT mark FROM mark")
        wait_until(lambda: self.rows("SELECT assessed FROM mark")[0][0] >= mark, "all is assessed", PATIENCE_S)

    def url(self) -> str:
        """Of the dashboard of the daemon that was started last; empty before it has said so."""
        log = self.folder / "log"
        lines = log.read_text(errors="replace").splitlines() if log.exists() else []
        found = [line.split("dashboard at ")[1].split(" ")[0] for line in lines if "dashboard at " in line]
        return found[-1] if found else ""

    # --- what must hold ---------------------------------------------------------------------------------------

    def check(self) -> None:
        """Every message is stored exactly once, the database is sound, what follows from readings agrees with them."""
        assert self.rows("PRAGMA integrity_check") == [("ok",)]
        assert sorted(self.rows(_READINGS)) == self.stream.expected()
        assert self.rows("SELECT * FROM quarantine") == []
        assert left_in_session(self.broker.settings()) == 0
        self._check_hours()
        self._check_alerts()

    def _check_hours(self) -> None:
        db = Database.open(f"sqlite:///{self.file}", migrate=False)
        with db.read() as conn:
            hours = load_hourly(conn, self.job.probes[0], self.stream.start + SPAN)
        db.close()
        raw = np.array([(ms // 3_600_000, celsius) for probe, ms, celsius in self.rows(_READINGS) if probe == "p0"])
        assert len(hours) >= 5
        for hour_s, count, median in zip(hours.hour_s, hours.count, hours.temperature_c, strict=True):
            inside = raw[raw[:, 0] == hour_s // 3600, 1]
            assert (count, median) == (len(inside), np.median(inside))

    def _check_alerts(self) -> None:
        """Each step of an alert is on record once, each is told once, and nothing is told that did not happen."""
        steps = Counter(
            self.rows("SELECT fingerprint, episode, event FROM alert_event WHERE event != 'severity_changed'")
        )
        assert {count for _, count in steps.items()} <= {1}, steps
        documents = self.rows("SELECT fingerprint, episode, status FROM alert WHERE opened_ms IS NOT NULL")
        kinds = {kind for (kind,) in self.rows("SELECT json_extract(document, '$.kind') FROM alert")}
        assert "condensation" in kinds, f"the wet surface raised no alert, only {kinds}"
        for fingerprint, episode, status in documents:
            assert steps[fingerprint, episode, "opened"] == 1
            assert steps[fingerprint, episode, "closed"] == (status == "closed")
        told = Counter(self.rows("SELECT subject, episode, news FROM outbox_item WHERE news IN ('opened', 'closed')"))
        assert {count for _, count in told.items()} <= {1}, told
        assert all(steps[step] == 1 for step in told)


@dataclass(frozen=True)
class Killed:
    """What a run of kills was."""

    kills: int
    messages: int
    while_starting: int
    """Kills before anything new was stored."""
    alerts: int
    seconds: float


def kill_at_random(folder: Path, kills: int, *, seed: int = 1, each: int = 300) -> Killed:
    """Kill the daemon without warning at random moments, under load; then let it finish, and check everything."""
    chance, began = random.Random(seed), time.monotonic()
    while_starting = 0
    with forks() as processes, (house := House(folder, kills * each, processes)).broker:
        house.prepare()
        with Publisher(house.broker.port, "load") as gateway:
            for kill in range(kills):
                before = house.stored()
                process = house.start()
                gateway.publish(map(house.stream.message, range(kill * each, (kill + 1) * each)))
                if chance.random() < 0.3:
                    process.join(chance.uniform(0.0, 3.0))  # the moment itself is drawn, also before it is up
                else:
                    wanted = before + chance.randint(1, each)
                    wait_until(lambda wanted=wanted: house.stored() >= wanted, "some are stored", PATIENCE_S)  # type: ignore[misc]
                    process.join(chance.uniform(0.0, 0.5))
                while_starting += house.stored() == before
                process.kill()
                process.join(PATIENCE_S)
                assert process.exitcode == -signal.SIGKILL
        with house.running():
            wait_until(lambda: house.stored() == house.stream.count, "the rest is stored", PATIENCE_S)
            house.wait_for_assessment()
            wait_until(lambda: not house.rows("SELECT 1 FROM outbox WHERE state = 'waiting'"), "all told", PATIENCE_S)
        house.check()
        alerts = len(house.rows("SELECT 1 FROM alert WHERE opened_ms IS NOT NULL"))
    return Killed(kills, house.stream.count, while_starting, alerts, time.monotonic() - began)


@dataclass(frozen=True)
class Drained:
    """What draining a backlog took."""

    messages: int
    seconds: float
    idle_mb: float
    """Largest resident memory before the backlog came. [MB]"""
    peak_mb: float
    """Largest resident memory in all. [MB]"""
    pages: int
    """Pages answered meanwhile."""
    slowest_page_s: float
    rounds: int
    """Assessments that were stored meanwhile."""


def drain(folder: Path, messages: int) -> Drained:
    """Let messages wait at the broker, and the daemon take them in; meanwhile pages are asked for."""
    with forks() as processes, (house := House(folder, messages, processes)).broker:
        house.prepare()
        with house.running() as process:
            wait_until(lambda: bool(house.url()), "it runs", PATIENCE_S)
            wait_until(lambda: _page(house) > 0, "it answers", PATIENCE_S)
            idle = _peak_mb(process.pid)
        with Publisher(house.broker.port, "load") as gateway:
            for first in range(0, messages, 10_000):
                gateway.publish(map(house.stream.message, range(first, min(first + 10_000, messages))))
        (house.folder / "log").write_bytes(b"")
        began, pages, assessed = time.monotonic(), [], set[int]()
        with house.running() as process:
            wait_until(lambda: bool(house.url()), "it runs", PATIENCE_S)
            left = True
            while left:  # at least once: readings are taken in before the dashboard answers
                left = house.stored() < messages
                pages.append(_page(house))
                assessed.update(row[0] for row in house.rows("SELECT assessed FROM mark"))
                assert time.monotonic() - began < PATIENCE_S + messages / 200, "slower than 200 messages a second"
            seconds = time.monotonic() - began
            house.wait_for_assessment()
            peak = _peak_mb(process.pid)
        house.check()
    return Drained(messages, seconds, idle, peak, len(pages), max(pages), len(assessed))


def _page(house: House) -> float:
    began = time.monotonic()
    assert httpx.get(f"{house.url().rstrip('/')}/healthz", timeout=PATIENCE_S).status_code == 200
    return time.monotonic() - began


def _peak_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
