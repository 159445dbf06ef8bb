"""From a real broker to the store: nothing lost, nothing twice, nothing acknowledged early."""

from __future__ import annotations

import gc
import random
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from brokers import Mosquitto, Publisher, left_in_session, publish, wait_until
from sqlalchemy import Connection, func, select

from monitord.clock import SystemClock
from monitord.errors import StoreError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.embedded_broker import LOOPBACK, EmbeddedBroker
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.store.db.database import Database
from monitord.store.db.tables import reading
from monitord.store.quarantine import list_held
from monitord.store.series.readings import probes_seen

PROTOCOLS = ["5", "3.1.1"]
START = datetime(2025, 3, 1, 10, 0, tzinfo=UTC)


def message(i: int, probes: int = 20) -> tuple[str, bytes]:
    """The i-th message of a stream; no two have the same key."""
    time = START + timedelta(seconds=i // probes)
    payload = f'{{"time":"{time.isoformat()}","temperature_c":{i / 100},"relative_humidity_pct":61.4}}'
    return f"monitord/attic/p{i % probes}/reading", payload.encode()


def count(db: Database) -> int:
    with db.read() as conn:
        return conn.execute(select(func.count()).select_from(reading)).scalar_one()


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/monitord.db")
    yield database
    database.close()


@contextmanager
def consuming(settings: BrokerSettings, db: Database) -> Iterator[Consumer]:
    consumer = Consumer(settings, db, SystemClock(), TopicRules())
    consumer.start()
    try:
        wait_until(lambda: consumer.status.link.connected, "the consumer is connected")
        yield consumer
    finally:
        consumer.stop()


class RefusingStore:
    """A database that refuses while it is told to."""

    def __init__(self, db: Database) -> None:
        self._db = db
        self.refuses = True
        self.attempts = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._db, name)

    @contextmanager
    def write(self, *, shared: bool = False) -> Iterator[Connection]:
        self.attempts += 1
        if self.refuses:
            raise StoreError("the disk is full", remedy="Free some space")
        with self._db.write(shared=shared) as conn:
            yield conn


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_what_is_published_is_stored_and_acknowledged(protocol: str, mosquitto: Mosquitto, db: Database) -> None:
    settings = mosquitto.settings(protocol)
    with consuming(settings, db) as consumer:
        publish(mosquitto.port, map(message, range(300)))
        wait_until(lambda: count(db) == 300, "all are stored")
        assert consumer.stop()
    assert consumer.status.totals.inserted == 300
    assert left_in_session(settings) == 0


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_what_is_published_while_we_are_away_waits_for_us(protocol: str, mosquitto: Mosquitto, db: Database) -> None:
    settings = mosquitto.settings(protocol)
    with consuming(settings, db):
        pass
    publish(mosquitto.port, map(message, range(200)))
    with consuming(settings, db) as consumer:
        assert consumer.status.link.session_present
        wait_until(lambda: count(db) == 200, "all are stored")


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_nothing_is_acknowledged_while_the_store_refuses(protocol: str, mosquitto: Mosquitto, db: Database) -> None:
    settings = mosquitto.settings(protocol)
    store = RefusingStore(db)
    with consuming(settings, store) as consumer:  # type: ignore[arg-type]
        publish(mosquitto.port, map(message, range(100)))
        wait_until(lambda: store.attempts >= 2, "the batch is tried again")
        status = consumer.status
        assert (status.waiting, status.totals.inserted) == (100, 0)
        assert "disk is full" in (status.store_error or "")
        assert not consumer.stop(timeout=0.5)
    assert left_in_session(settings) == 100


def test_a_refused_batch_is_stored_when_the_store_is_back(mosquitto: Mosquitto, db: Database) -> None:
    settings = mosquitto.settings()
    store = RefusingStore(db)
    with consuming(settings, store) as consumer:  # type: ignore[arg-type]
        publish(mosquitto.port, map(message, range(100)))
        wait_until(lambda: store.attempts >= 2, "the batch is tried again")
        store.refuses = False
        wait_until(lambda: count(db) == 100, "all are stored")
        wait_until(lambda: consumer.status.store_error is None, "the refusal is forgotten")
    assert left_in_session(settings) == 0


def test_a_clean_stop_in_full_stream_loses_nothing(mosquitto: Mosquitto, db: Database) -> None:
    settings = mosquitto.settings()
    with consuming(settings, db), Publisher(mosquitto.port) as publisher:
        publisher.publish(map(message, range(500)))
    first = count(db)
    with consuming(settings, db):
        wait_until(lambda: count(db) == 500, f"the rest after {first} is stored")


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_what_was_not_yet_committed_when_the_broker_was_killed_is_stored(
    protocol: str, mosquitto: Mosquitto, db: Database
) -> None:
    store = RefusingStore(db)
    settings = mosquitto.settings(protocol, reconnect_min_s=0.05, reconnect_max_s=0.2)
    with consuming(settings, store) as consumer:  # type: ignore[arg-type]
        publish(mosquitto.port, map(message, range(100)))
        wait_until(lambda: consumer.status.received == 100, "the first have come")
        mosquitto.kill()
        wait_until(lambda: not consumer.status.link.connected, "the loss is noticed")
        assert consumer.status.link.error is not None
        mosquitto.start()
        wait_until(lambda: consumer.status.link.connected, "it is connected again")
        store.refuses = False
        publish(mosquitto.port, map(message, range(100, 200)))
        wait_until(lambda: count(db) == 200, "all are stored")
    assert left_in_session(settings) == 0


def test_what_waits_for_us_survives_a_kill_of_the_broker(mosquitto: Mosquitto, db: Database, tmp_path: Path) -> None:
    with consuming(mosquitto.settings(), db):
        pass
    publish(mosquitto.port, map(message, range(100)))
    snapshot, last = tmp_path / "mosquitto" / "mosquitto.db", message(99)[1]
    wait_until(lambda: snapshot.exists() and last in snapshot.read_bytes(), "it has written the last to disk")
    mosquitto.kill()
    mosquitto.start()
    with consuming(mosquitto.settings(), db):
        wait_until(lambda: count(db) == 100, "all are stored")


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_retained_replay_does_not_make_a_dead_probe_look_alive(
    protocol: str, mosquitto: Mosquitto, db: Database
) -> None:
    publish(mosquitto.port, [message(0)], retain=True)
    with consuming(mosquitto.settings(protocol), db):
        wait_until(lambda: count(db) == 1, "the replay is stored, since it is new")
        with db.read() as conn:
            assert probes_seen(conn) == []
        publish(mosquitto.port, [message(20)], retain=True)  # sent live, though the broker keeps it as well
        wait_until(lambda: count(db) == 2, "the live one is stored")
    with db.read() as conn:
        assert [heard.time for heard in probes_seen(conn)] == [START + timedelta(seconds=1)]


def test_any_bytes_go_to_quarantine_and_the_consumer_lives_on(mosquitto: Mosquitto, db: Database) -> None:
    noise = random.Random(1)
    topics = ["reading", "senml", "senml-cbor", "photo"]
    junk = [(f"monitord/attic/p1/{topics[i % 4]}", noise.randbytes(noise.randint(1, 300))) for i in range(400)]
    with consuming(mosquitto.settings(), db) as consumer:
        publish(mosquitto.port, [*junk, message(0)])
        wait_until(lambda: count(db) == 1, "the reading behind the junk is stored")
        wait_until(lambda: consumer.status.totals.held == len(junk), "all junk is held")
        assert consumer.status.running
    with db.read() as conn:
        held = list_held(conn)
    assert {(item.topic, item.payload) for item in held} == set(junk)
    assert {item.code for item in held if item.topic.endswith("photo")} == {"no_rule"}


def test_a_window_smaller_than_the_batch_does_not_wait_for_the_timer(tmp_path: Path, db: Database) -> None:
    with Mosquitto(tmp_path / "narrow", window=20) as broker, consuming(broker.settings(batch_wait_s=2.0), db):
        publish(broker.port, map(message, range(200)))
        # ten windows; if each waited for the timer, this would take 20 s
        wait_until(lambda: count(db) == 200, "all are stored", timeout=8)


def test_messages_without_quality_of_service_are_stored_too(mosquitto: Mosquitto, db: Database) -> None:
    with consuming(mosquitto.settings(), db):
        publish(mosquitto.port, map(message, range(50)), qos=0)
        wait_until(lambda: count(db) == 50, "all are stored")


def test_a_big_backlog_in_one_message_is_stored(mosquitto: Mosquitto, db: Database) -> None:
    backlog = b"[" + b",".join(message(i, probes=1)[1] for i in range(5000)) + b"]"
    with consuming(mosquitto.settings(), db):
        publish(mosquitto.port, [("monitord/attic/p0/reading", backlog)])
        wait_until(lambda: count(db) == 5000, "all are stored")


def test_a_refused_sign_in_is_told_with_a_remedy_and_tried_again(tmp_path: Path, db: Database) -> None:
    with Mosquitto(tmp_path / "shut", extra=["allow_anonymous false"]) as broker:
        for protocol in PROTOCOLS:
            consumer = Consumer(broker.settings(protocol), db, SystemClock(), TopicRules())
            consumer.start()
            try:
                wait_until(lambda c=consumer: c.status.link.error is not None, "the refusal is told")  # type: ignore[misc]
                error = consumer.status.link.error
                assert error is not None
                assert "Not authorized" in error.message
                assert "broker.username" in error.message
                assert consumer.status.running
            finally:
                assert consumer.stop(2)


def test_a_broker_that_is_away_is_told_with_a_remedy(db: Database) -> None:
    consumer = Consumer(BrokerSettings(port=1), db, SystemClock(), TopicRules())
    consumer.start()
    try:
        wait_until(lambda: consumer.status.link.error is not None, "the failure is told")
        assert "broker.host" in str(consumer.status.link.error)
    finally:
        assert consumer.stop(2)


def test_two_daemons_with_one_client_id_are_told_so(mosquitto: Mosquitto, db: Database) -> None:
    with consuming(mosquitto.settings(), db) as first, consuming(mosquitto.settings(), db):
        wait_until(lambda: "client_id" in str(first.status.link.error), "the first is told why it was sent away")


@pytest.fixture
def certificate(tmp_path: Path) -> Path:
    """A certificate of our own for the loopback address, made by openssl."""
    command = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=localhost"
    subprocess.run(
        ["openssl", *command.split(), "-addext", f"subjectAltName=IP:{LOOPBACK}", "-keyout", "key.pem",
         "-out", "cert.pem"],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )  # fmt: skip
    return tmp_path / "cert.pem"


def test_readings_come_over_tls_from_a_broker_that_wants_a_password(
    certificate: Path, tmp_path: Path, db: Database
) -> None:
    subprocess.run(["mosquitto_passwd", "-b", "-c", "users", "monitord", "secret"], cwd=tmp_path, check=True)
    extra = [
        f"certfile {certificate}",
        f"keyfile {certificate.with_name('key.pem')}",
        "allow_anonymous false",
        f"password_file {tmp_path / 'users'}",
    ]
    with Mosquitto(tmp_path / "tls", extra=extra) as broker:
        settings = broker.settings(tls=True, tls_ca_file=str(certificate), username="monitord", password="secret")
        backlog = b"[" + b",".join(message(i, probes=1)[1] for i in range(2000)) + b"]"
        with consuming(settings, db):
            subprocess.run(
                ["mosquitto_pub", "-h", LOOPBACK, "-p", str(broker.port), "--cafile", str(certificate),
                 "-u", "monitord", "-P", "secret", "-q", "1", "-t", "monitord/attic/p0/reading", "-s"],
                input=backlog, check=True,
            )  # fmt: skip
            wait_until(lambda: count(db) == 2000, "all are stored")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_that_asks_for_a_certificate_lets_us_in_by_ours_and_tells_who_has_none(
    certificate: Path, tmp_path: Path, db: Database
) -> None:
    key = str(certificate.with_name("key.pem"))
    extra = [f"cafile {certificate}", f"certfile {certificate}", f"keyfile {key}", "require_certificate true"]
    with Mosquitto(tmp_path / "tls", extra=[*extra, "use_identity_as_username true"]) as broker:
        known = broker.settings(
            tls=True, tls_ca_file=str(certificate), tls_cert_file=str(certificate), tls_key_file=key, client_id="known"
        )
        stranger = known.model_copy(update={"tls_cert_file": None, "tls_key_file": None, "client_id": "stranger"})
        consumer = Consumer(stranger, db, SystemClock(), TopicRules())
        consumer.start()
        try:
            wait_until(lambda: consumer.status.link.error is not None, "the refusal is told")
            assert consumer.status.link.error is not None
            assert consumer.status.link.error.remedy
        finally:
            assert consumer.stop(2)
            gc.collect()
        with consuming(known, db):
            subprocess.run(
                ["mosquitto_pub", "-h", LOOPBACK, "-p", str(broker.port), "--cafile", str(certificate), "--cert",
                 str(certificate), "--key", key, "-q", "1", "-t", "monitord/attic/p0/reading", "-m", message(0)[1]],
                check=True,
            )  # fmt: skip
            wait_until(lambda: count(db) == 1, "it is stored")


# the client library leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_whose_certificate_nobody_vouches_for_is_told_with_a_remedy(
    certificate: Path, tmp_path: Path, db: Database
) -> None:
    extra = [f"certfile {certificate}", f"keyfile {certificate.with_name('key.pem')}", "allow_anonymous true"]
    with Mosquitto(tmp_path / "tls", extra=extra) as broker:
        consumer = Consumer(broker.settings(tls=True), db, SystemClock(), TopicRules())
        consumer.start()
        try:
            wait_until(lambda: consumer.status.link.error is not None, "the failure is told")
            assert "tls_ca_file" in str(consumer.status.link.error)
        finally:
            assert consumer.stop(2)
            gc.collect()


@pytest.mark.parametrize("what", ["live", "away", "unacknowledged"])
def test_the_embedded_broker_loses_nothing(what: str, embedded_broker: EmbeddedBroker, db: Database) -> None:
    settings = embedded_broker.settings()
    cases: dict[str, Callable[[], Any]] = {
        "live": lambda: _live(settings, db),
        "away": lambda: _away(settings, db),
        "unacknowledged": lambda: _unacknowledged(settings, db),
    }
    cases[what]()


def _live(settings: BrokerSettings, db: Database) -> None:
    with consuming(settings, db):
        publish(settings.port, map(message, range(500)))
        wait_until(lambda: count(db) == 500, "all are stored")


def _away(settings: BrokerSettings, db: Database) -> None:
    with consuming(settings, db):
        pass
    publish(settings.port, map(message, range(50)))
    _live_rest(settings, db, 50)


def _unacknowledged(settings: BrokerSettings, db: Database) -> None:
    store = RefusingStore(db)
    with consuming(settings, store) as consumer:  # type: ignore[arg-type]
        publish(settings.port, map(message, range(50)))
        wait_until(lambda: consumer.status.received >= 50, "all have come")
        consumer.stop(timeout=0.3)
    _live_rest(settings, db, 50)


def _live_rest(settings: BrokerSettings, db: Database, expected: int) -> None:
    with consuming(settings, db):
        wait_until(lambda: count(db) == expected, "all are stored")


def test_the_embedded_broker_is_not_reached_from_outside_and_ends_when_told(embedded_broker: EmbeddedBroker) -> None:
    listening = Path("/proc/net/tcp").read_text().splitlines()[1:]
    port = f":{embedded_broker.port:04X}"
    addresses = {line.split()[1].removesuffix(port) for line in listening if line.split()[1].endswith(port)}
    assert "0100007F" in addresses  # 127.0.0.1 as the kernel writes it
    assert "00000000" not in addresses
    embedded_broker.stop()
    embedded_broker.stop()
    with EmbeddedBroker(embedded_broker.port):
        pass


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_message_that_is_too_large_is_held_and_the_readings_behind_it_are_taken(
    tmp_path: Path, db: Database, protocol: str
) -> None:
    large = b"[" + b"{}," * 1_700_000 + b"{}]"
    assert len(large) > 5_000_000
    with Mosquitto(tmp_path / "broker") as broker, consuming(broker.settings(protocol), db) as consumer:
        publish(broker.port, [("monitord/attic/p0/reading", large), message(0), message(1)])
        wait_until(lambda: consumer.status.totals.inserted == 2, "the readings behind it are stored")
        wait_until(lambda: consumer.status.waiting == 0, "all is committed")
        consumer.stop()
        assert left_in_session(broker.settings(protocol)) == 0  # acknowledged: it does not come again and again
    with db.read() as conn:
        (held,) = list_held(conn)
    assert held.code == "too_large"
    assert f"{len(large):,} bytes" in held.reason


def test_what_is_far_too_large_does_not_leave_an_mqtt_5_broker(tmp_path: Path, db: Database) -> None:
    small = {"max_payload_bytes": 1024}
    with Mosquitto(tmp_path / "broker") as broker, consuming(broker.settings(**small), db) as consumer:
        publish(broker.port, [("monitord/attic/p0/reading", b" " * 10_000), message(0)])
        wait_until(lambda: consumer.status.totals.inserted == 1, "the reading behind it is stored")
        assert consumer.status.received == 1
