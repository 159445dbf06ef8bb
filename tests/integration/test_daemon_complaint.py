"""A real daemon's sign of life to another service stays away while readings are not stored or not assessed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path

import brokers
import httpx
import pytest
from alerts_sinks import Receiver
from alerts_support import job
from brokers import wait_until
from clocks import AcceleratedClock

from monitord.daemon.wiring import Daemon
from monitord.errors import StoreError
from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.ingest.writer import BatchWriter
from monitord.model.config.settings import Settings
from monitord.store import jobs
from monitord.store.db.database import Database

PATIENCE_S = 30.0
Patch = Callable[[], AbstractContextManager[pytest.MonkeyPatch]]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as made:
        yield made


@pytest.fixture
def daemon(tmp_path: Path, embedded_broker: EmbeddedBroker, receiver: Receiver) -> Iterator[Daemon]:
    settings = Settings.model_validate(
        {
            "database": {"url": f"sqlite:///{tmp_path}/m.sqlite3"},
            "broker": embedded_broker.settings(),
            "web": {"port": 0},
            "alerts": {"heartbeat": {"url": f"http://127.0.0.1:{receiver.port}/beat"}},
        }
    )
    db = Database.open(settings.database.url)
    with db.write() as conn:
        jobs.apply_job(conn, job())
    db.close()
    # five minutes take half a second
    made = Daemon(settings, AcceleratedClock(datetime(2025, 3, 1, 12, tzinfo=UTC), factor=600))
    made.start()
    yield made
    made.stop()


def stays_away(receiver: Receiver, log: pytest.LogCaptureFixture) -> bool:
    """Whether no call is made although it is due twice."""
    before = len(receiver.calls)
    kept = log.text.count("no heartbeat")
    wait_until(lambda: log.text.count("no heartbeat") >= kept + 2, "two signs of life are kept back", PATIENCE_S)
    return len(receiver.calls) == before


def comes(receiver: Receiver) -> None:
    before = len(receiver.calls)
    wait_until(lambda: len(receiver.calls) > before, "a sign of life", PATIENCE_S)


def test_it_stays_away_while_no_assessment_succeeds_and_comes_back(
    daemon: Daemon, receiver: Receiver, caplog: pytest.LogCaptureFixture
) -> None:
    comes(receiver)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitord.pipeline.assess_job", lambda *_, **__: 1 / 0)
        wait_until(lambda: daemon.health_problem() is not None, "it complains after a quarter of an hour", PATIENCE_S)
        assert "no round of assessments has succeeded since 2025-03-01T" in str(daemon.health_problem())
        assert daemon.failure() is None, "nothing is dead: it goes on trying"
        assert stays_away(receiver, caplog)
        answer = httpx.get(f"{daemon.url}readyz", timeout=PATIENCE_S)
        assert answer.status_code == 503
        assert answer.text.startswith("not ready: no round of assessments has succeeded since 2025-03-01T")
        assert httpx.get(f"{daemon.url}healthz", timeout=PATIENCE_S).status_code == 200
    comes(receiver)
    assert daemon.health_problem() is None
    assert httpx.get(f"{daemon.url}readyz", timeout=PATIENCE_S).status_code == 200


def test_it_stays_away_while_the_store_refuses_readings_and_comes_back(
    daemon: Daemon, receiver: Receiver, embedded_broker: EmbeddedBroker, caplog: pytest.LogCaptureFixture
) -> None:
    comes(receiver)
    with pytest.MonkeyPatch.context() as patch:

        def full(_self: BatchWriter, _messages: object) -> object:
            raise StoreError("the database refused", why="database or disk is full")

        patch.setattr(BatchWriter, "commit", full)
        brokers.publish(embedded_broker.port, [("monitord/g/p/reading", b"{}")])
        wait_until(lambda: daemon.health_problem() is not None, "it complains", PATIENCE_S)
        assert "the store refuses readings: the database refused" in str(daemon.health_problem())
        assert stays_away(receiver, caplog)
    comes(receiver)
