"""The taking in of readings is killed without warning in full stream; every message is stored exactly once."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from brokers import Mosquitto, SessionPeek, left_in_session, publish, wait_until

from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.model.config.broker import BrokerSettings

CHILD = Path(__file__).with_name("ingest_child.py")
PROBES = 20
START = datetime(2025, 3, 1, tzinfo=UTC)
FILTER = "monitord/#"
PATIENCE_S = 60.0
"""A busy machine may take long to start a daemon; on an idle one it is up in two seconds."""


def stream(count: int) -> list[tuple[str, bytes]]:
    """Messages of twenty probes in turn, each with a key and a value of its own."""
    return [
        (
            f"monitord/attic/p{i % PROBES}/reading",
            json.dumps(
                {
                    "time": (START + timedelta(minutes=i // PROBES)).isoformat(),
                    "temperature_c": i / 1000,
                    "relative_humidity_pct": 61.4,
                }
            ).encode(),
        )
        for i in range(count)
    ]


def expected(count: int) -> list[tuple[str, int, float]]:
    start_ms = int(START.timestamp() * 1000)
    return sorted((f"p{i % PROBES}", start_ms + i // PROBES * 60_000, i / 1000) for i in range(count))


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """It is not the broker that is killed here, so it need not write its whole store at each message."""
    with Mosquitto(tmp_path / "mosquitto", save_every=1000) as broker:
        yield broker


class Store:
    """A look into the database file from outside the child."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "monitord.db"
        self.url = f"sqlite:///{self.path}"

    def rows(self, query: str) -> list[tuple]:  # type: ignore[type-arg]
        if not self.path.exists():
            return []
        connection = sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=5)
        try:
            return connection.execute(query).fetchall()
        except sqlite3.OperationalError:  # the child has not made its tables yet
            return []
        finally:
            connection.close()

    def count(self) -> int:
        return sum(row[0] for row in self.rows("SELECT count(*) FROM reading"))

    def readings(self) -> list[tuple[str, int, float]]:
        kept = (
            "SELECT p.name, r.time_ms, CASE typeof(r.temperature_c) WHEN 'integer' THEN r.temperature_c / 100.0 "
            "ELSE r.temperature_c END FROM reading r JOIN probe_name p ON p.id = r.probe_id"
        )
        return sorted(self.rows(kept))


@contextmanager
def daemon(settings: BrokerSettings, store: Store) -> Iterator[subprocess.Popen[bytes]]:
    """The whole daemon, as a service runs it."""
    environment = os.environ | {
        "MONITORD_DATABASE__URL": store.url,
        "MONITORD_BROKER__PORT": str(settings.port),
        "MONITORD_BROKER__PROTOCOL": settings.protocol,
        "MONITORD_WEB__PORT": "0",
    }
    with running(subprocess.Popen([sys.executable, "-m", "monitord", "run"], env=environment)) as process:
        yield process


@contextmanager
def child(settings: BrokerSettings, store: Store, *fault: str) -> Iterator[subprocess.Popen[bytes]]:
    """Its taking in of readings alone, made to die at a chosen point."""
    arguments = [settings.model_dump_json(), store.url, *fault]
    with running(subprocess.Popen([sys.executable, str(CHILD), *arguments])) as process:
        yield process


@contextmanager
def running(process: subprocess.Popen[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(PATIENCE_S)


def kill(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGKILL)
    assert process.wait(10) == -signal.SIGKILL


@pytest.mark.parametrize(("moment", "protocol"), [(0.1, "5"), (0.45, "3.1.1"), (0.8, "5")])
def test_every_message_of_a_stream_is_stored_once_though_the_daemon_is_killed_in_it(
    moment: float, protocol: str, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    count, store, settings = 5000, Store(tmp_path), mosquitto.settings(protocol)
    SessionPeek(settings, [FILTER]).close()  # the broker knows the session before the first message
    publisher = threading.Thread(target=publish, args=(mosquitto.port, stream(count)))
    with daemon(settings, store) as process:
        publisher.start()
        wait_until(lambda: store.count() >= moment * count, "so much is stored", timeout=PATIENCE_S)
        kill(process)
    stored = store.count()
    assert stored < count, "it was killed too late to prove anything"
    with daemon(settings, store):
        publisher.join(PATIENCE_S)
        wait_until(lambda: store.count() >= count, f"the rest after {stored} is stored", timeout=PATIENCE_S)
    assert store.readings() == expected(count)
    assert store.rows("SELECT * FROM quarantine") == []
    assert left_in_session(settings) == 0


@pytest.mark.parametrize(
    ("fault", "broker"),
    [
        ("before commit", "mosquitto, MQTT 5"),
        ("before acknowledgement", "mosquitto, MQTT 5"),
        ("before acknowledgement", "embedded"),
    ],
)
def test_a_death_around_the_commit_of_a_batch_loses_nothing_and_stores_nothing_twice(
    fault: str, broker: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    count, store, settings = 400, Store(tmp_path), settings_of(broker, request)
    SessionPeek(settings, [FILTER]).close()
    publish(settings.port, stream(count))
    with child(settings, store, fault, "3") as process:
        assert process.wait(PATIENCE_S) == -signal.SIGKILL
    batches = 2 if fault == "before commit" else 3
    assert store.count() == batches * settings.batch_size
    with child(settings, store):
        wait_until(lambda: store.count() >= count, "all are stored", PATIENCE_S)
    assert store.readings() == expected(count)
    assert store.rows("SELECT * FROM quarantine") == []


def settings_of(broker: str, request: pytest.FixtureRequest) -> BrokerSettings:
    small = {"batch_size": 50, "batch_wait_s": 1.0, "receive_maximum": 100}
    if broker == "embedded":
        embedded: EmbeddedBroker = request.getfixturevalue("embedded_broker")
        return embedded.settings().model_copy(update=small)
    mosquitto: Mosquitto = request.getfixturevalue("mosquitto")
    return mosquitto.settings(broker.rpartition(" ")[2], **small)
