"""A broker that stalls, trickles or closes the door, and a disk that hangs or may not be written: nothing is lost."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from brokers import Mosquitto, left_in_session, publish, wait_until
from sqlalchemy import Connection, event, func, select

from monitord.cli import main
from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.embedded_broker import LOOPBACK
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.store.db.database import Database
from monitord.store.db.tables import reading

START = datetime(2025, 3, 1, 10, 0, tzinfo=UTC)
MESSAGES = 120


def messages(first: int = 0, count: int = MESSAGES) -> Iterator[tuple[str, bytes]]:
    for i in range(first, first + count):
        time = START + timedelta(seconds=i)
        payload = f'{{"time":"{time.isoformat()}","temperature_c":{i / 100},"relative_humidity_pct":61.4}}'
        yield "monitord/attic/p1/reading", payload.encode()


class Link:
    """Between the daemon and its broker: passes what comes, unless it is told to stall or to close the door."""

    def __init__(self, port: int, piece: int = 65_536) -> None:
        self._broker, self._piece = (LOOPBACK, port), piece
        self.flows, self.refuses = threading.Event(), threading.Event()
        self.flows.set()
        self.withheld = self.refused = 0
        """Pieces of the broker that wait here; connections that were closed at once."""
        self._listener = socket.create_server((LOOPBACK, 0))
        self.port = int(self._listener.getsockname()[1])
        self._open: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]

    def __enter__(self) -> Link:
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self.flows.set()
        for each in (self._listener, *self._open):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(10)
        for each in (self._listener, *self._open):
            each.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                came, _ = self._listener.accept()
                if self.refuses.is_set():
                    came.close()
                    self.refused += 1
                    continue
                there = socket.create_connection(self._broker)
                self._open += [came, there]
                for pair in ((came, there), (there, came)):
                    self._threads.append(threading.Thread(target=self._pass, args=pair))
                    self._threads[-1].start()

    def _pass(self, one: socket.socket, to: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(self._piece):
                if one.getpeername() == self._broker and not self.flows.is_set():
                    self.withheld += 1
                    self.flows.wait(60)
                to.sendall(data)
        with contextlib.suppress(OSError):
            to.shutdown(socket.SHUT_RDWR)


@pytest.fixture(scope="module")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path_factory.mktemp("broker"), save_every=1000) as broker:
        yield broker


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/monitord.db")
    yield database
    database.close()


def stored(db: Database) -> int:
    with db.read() as conn:
        return conn.execute(select(func.count()).select_from(reading)).scalar_one()


@contextmanager
def consuming(settings: BrokerSettings, db: Database) -> Iterator[Consumer]:
    consumer = Consumer(settings, db, SystemClock(), TopicRules())
    consumer.start()
    try:
        yield consumer
    finally:
        consumer.stop()


def settings(mosquitto: Mosquitto, client_id: str, port: int | None = None) -> BrokerSettings:
    return mosquitto.settings(client_id=client_id, **({} if port is None else {"port": port}))


def test_a_broker_that_stalls_inside_a_message_and_then_trickles_loses_nothing(
    mosquitto: Mosquitto, db: Database
) -> None:
    with Link(mosquitto.port, piece=7) as link, consuming(settings(mosquitto, "a", link.port), db) as consumer:
        wait_until(lambda: consumer.status.link.connected, "it is connected")
        publish(mosquitto.port, messages(count=3))
        wait_until(lambda: stored(db) == 3, "the first are stored")
        link.flows.clear()
        publish(mosquitto.port, messages(3))
        wait_until(lambda: link.withheld > 0, "a piece of a message waits")
        assert stored(db) <= 4, "of one message a part may have passed"
        assert consumer.status.running
        link.flows.set()
        wait_until(lambda: stored(db) == MESSAGES + 3, "all are stored")
        assert consumer.status.link.error is None
    assert left_in_session(settings(mosquitto, "a")) == 0


def test_a_broker_that_closes_each_connection_is_told_and_asked_again_until_it_lets_us_in(
    mosquitto: Mosquitto, db: Database
) -> None:
    with Link(mosquitto.port) as link:
        link.refuses.set()
        with consuming(settings(mosquitto, "b", link.port), db) as consumer:
            wait_until(lambda: link.refused >= 2 and consumer.status.link.error is not None, "it is told, and asked")
            error = consumer.status.link.error
            assert error is not None
            assert "broker." in error.message
            assert consumer.status.running
            link.refuses.clear()
            wait_until(lambda: consumer.status.link.connected, "it is connected")
            publish(mosquitto.port, messages())
            wait_until(lambda: stored(db) == MESSAGES, "all are stored")


def test_nothing_is_acknowledged_while_the_disk_hangs(mosquitto: Mosquitto, db: Database) -> None:
    reached, moves = threading.Event(), threading.Event()

    @event.listens_for(db._writer, "commit")
    def hang(_conn: Connection) -> None:
        reached.set()
        moves.wait(60)

    with consuming(settings(mosquitto, "c"), db) as consumer:
        wait_until(lambda: consumer.status.link.connected, "it is connected")
        publish(mosquitto.port, messages())
        wait_until(reached.is_set, "a commit hangs")
        wait_until(lambda: consumer.status.waiting == MESSAGES, "all wait")
        assert (consumer.status.totals.inserted, stored(db)) == (0, 0)
        assert not consumer.stop(timeout=0.2)
        assert left_in_session(settings(mosquitto, "c")) == MESSAGES
        moves.set()
    event.remove(db._writer, "commit", hang)


def test_a_database_that_may_not_be_written_is_told_and_nothing_is_acknowledged_until_it_may(
    mosquitto: Mosquitto, db: Database
) -> None:
    """As when its disk was mounted read-only by the system after a fault: SQLite's own refusal, and its own remedy."""

    def writable(connection: object, may: bool) -> None:
        cursor = connection.cursor()  # type: ignore[attr-defined]
        cursor.execute(f"PRAGMA query_only = {'OFF' if may else 'ON'}")
        cursor.close()

    with db.write() as conn:
        driver = conn.connection.dbapi_connection
    writable(driver, False)
    with consuming(settings(mosquitto, "d"), db) as consumer:
        wait_until(lambda: consumer.status.link.connected, "it is connected")
        publish(mosquitto.port, messages())
        wait_until(lambda: consumer.status.store_error is not None, "the refusal is told")
        assert "readonly" in str(consumer.status.store_error)
        assert "the right to write" in str(consumer.status.store_error)
        assert (consumer.status.totals.inserted, stored(db)) == (0, 0)
        writable(driver, True)
        wait_until(lambda: stored(db) == MESSAGES, "all are stored")
    assert left_in_session(settings(mosquitto, "d")) == 0


def test_a_database_on_a_read_only_disk_can_be_looked_at_and_says_why_it_takes_nothing(
    db: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///file:{tmp_path}/monitord.db?mode=ro&uri=true")
    assert main(["job", "list"]) == 0
    file = tmp_path / "job.toml"
    file.write_text('job = "mill"\nstart = 2026-03-01T08:00:00Z\n')
    assert main(["job", "apply", str(file)]) == 1
    told = capsys.readouterr().err
    assert "readonly" in told
    assert "the right to write" in told
