"""Many requests at once leave a daemon with the threads and descriptors that it needs, and no more."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from brokers import wait_until
from daemon_process import Running, settings_of

from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.model.jobs import JobFile
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.web.app import REQUESTS_AT_ONCE

AT_ONCE = 50
SPARE = 6
"""Threads and descriptors that may come and go by themselves: periodic tasks, a message that is sent."""


@pytest.fixture
def daemon(tmp_path: Path, embedded_broker: EmbeddedBroker) -> Iterator[Running]:
    now = datetime.now(UTC).replace(microsecond=0)
    job = {"job": "mill-3", "start": now - timedelta(days=1), "locations": [{"id": "room", "kind": "room_air"}]}
    db = Database.open(f"sqlite:///{tmp_path}/m.sqlite3")
    with db.write() as conn:
        jobs.apply_job(conn, JobFile.model_validate(job))
    db.close()
    broker = embedded_broker.settings()
    settings = settings_of(tmp_path, broker.port).replace("[broker]", f'[broker]\nprotocol = "{broker.protocol}"')
    running = Running(tmp_path, settings)
    yield running
    if running.process.poll() is None:
        running.end()


def threads(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/task"))


def descriptors(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def ask(daemon: Running, way: int) -> int:
    if way % 5 == 4:  # what no route and no form expects
        return httpx.post(f"{daemon.url}sign-in", content=b"\xff" * 50_000, timeout=60).status_code
    address = f"{daemon.url.rstrip('/')}{('/', '/jobs/mill-3', '/api/jobs', '/readyz')[way % 4]}"
    return httpx.get(address, headers={"cookie": f"monitord={daemon._session}"}, timeout=60).status_code


def test_fifty_requests_at_once_and_bad_input_leave_no_more_than_a_few_threads(daemon: Running) -> None:
    assert daemon.shown("/").status_code == 200
    pid = daemon.process.pid
    threads_before, descriptors_before = threads(pid), descriptors(pid)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(lambda way: ask(daemon, way), range(2 * AT_ONCE)))
    assert answers.count(200) >= AT_ONCE
    assert max(answers) < 500, "bad input is refused, and nothing fails"
    # a reading connection to SQLite has two files: the database and its log
    wait_until(lambda: descriptors(pid) <= descriptors_before + 2 * REQUESTS_AT_ONCE + SPARE, "descriptors are let go")
    assert threads(pid) <= threads_before + REQUESTS_AT_ONCE + SPARE
