"""Several brokers at once: one session each, one store, and each acknowledgement to the broker whose message it is."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from brokers import Mosquitto, left_in_session, publish, wait_until
from sqlalchemy import func, select

from monitord.clock import SystemClock
from monitord.daemon.doctor import examine
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.settings import Settings
from monitord.store.db.database import Database
from monitord.store.db.tables import probe_name, reading

START = datetime(2025, 3, 1, 10, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def brokers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Mosquitto, Mosquitto]]:
    folder = tmp_path_factory.mktemp("brokers")
    with Mosquitto(folder / "site", save_every=1000) as site, Mosquitto(folder / "cloud", save_every=1000) as cloud:
        yield site, cloud


def settings_of(brokers: tuple[Mosquitto, Mosquitto], client_id: str) -> Settings:
    site, cloud = (broker.settings(client_id=client_id) for broker in brokers)
    return Settings.model_validate({"broker": site, "brokers": {"cloud": cloud}})


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/monitord.db")
    yield database
    database.close()


@contextmanager
def consuming(settings: Settings, db: Database) -> Iterator[Consumer]:
    consumer = Consumer(settings.all_brokers, db, SystemClock(), TopicRules())
    consumer.start()
    try:
        wait_until(lambda: all(link.connected for link in consumer.status.links.values()), "both are connected")
        yield consumer
    finally:
        consumer.stop()


def message(probe: str, i: int) -> tuple[str, bytes]:
    time = START + timedelta(seconds=i)
    return f"monitord/gw/{probe}/reading", (
        f'{{"time":"{time.isoformat()}","temperature_c":{i / 100},"relative_humidity_pct":61.4}}'.encode()
    )


def count(db: Database, probe: str) -> int:
    with db.read() as conn:
        return conn.execute(
            select(func.count()).where(probe_name.c.id == reading.c.probe_id, probe_name.c.name == probe)
        ).scalar_one()


def test_each_broker_is_acknowledged_what_it_sent(brokers: tuple[Mosquitto, Mosquitto], db: Database) -> None:
    settings = settings_of(brokers, "both")
    site, cloud = brokers
    with consuming(settings, db) as consumer:
        publish(site.port, (message("s", i) for i in range(150)))
        publish(cloud.port, (message("c", i) for i in range(250)))
        wait_until(lambda: (count(db, "s"), count(db, "c")) == (150, 250), "all are stored")
        assert consumer.stop()
    assert [left_in_session(broker) for broker in settings.all_brokers.values()] == [0, 0]


def test_one_broker_is_away_and_the_other_goes_on(
    brokers: tuple[Mosquitto, Mosquitto], db: Database, tmp_path: Path
) -> None:
    """What waits at the one that is away comes when it is back, and its session is its own."""
    site, _ = brokers
    with Mosquitto(tmp_path / "cloud") as cloud:
        settings = settings_of((site, cloud), "one-away")
        with consuming(settings, db) as consumer:
            cloud.kill()
            wait_until(lambda: not consumer.status.links["cloud"].connected, "the loss is noticed")
            assert f":{cloud.port}" in str(consumer.status.links["cloud"].error)
            publish(site.port, (message("s", i) for i in range(50)))
            wait_until(lambda: count(db, "s") == 50, "the site's are stored")
            assert consumer.status.links["broker"].connected
            assert consumer.status.running
            cloud.start()
            wait_until(lambda: consumer.status.links["cloud"].connected, "it is connected again")
            publish(cloud.port, (message("c", i) for i in range(50)))
            wait_until(lambda: count(db, "c") == 50, "the cloud's are stored")
        assert [left_in_session(broker) for broker in settings.all_brokers.values()] == [0, 0]


def test_the_same_reading_by_both_is_stored_once(brokers: tuple[Mosquitto, Mosquitto], db: Database) -> None:
    settings = settings_of(brokers, "same")
    with consuming(settings, db) as consumer:
        for broker in brokers:
            publish(broker.port, (message("p", i) for i in range(20)))
        wait_until(lambda: consumer.status.totals.repeats == 20, "the second ones are repeats")
    assert count(db, "p") == 20


def test_the_check_up_looks_at_each_broker(brokers: tuple[Mosquitto, Mosquitto], tmp_path: Path) -> None:
    settings = settings_of(brokers, "doctor").model_copy(
        update={"database": Settings().database.model_copy(update={"url": f"sqlite:///{tmp_path}/m.db"})}
    )
    found = {check.name: check for check in examine(lambda: settings)}
    assert [found[name].mark for name in ("broker", "cloud")] == ["ok", "ok"]
    assert str(brokers[1].port) in found["cloud"].text


def test_a_broker_that_lost_the_session_is_told_of_and_what_comes_next_is_stored(
    db: Database, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It comes back without what it had kept: the subscriptions are made anew, and the log says what may be lost."""
    kept = tmp_path / "broker"
    with Mosquitto(kept) as broker:
        settings = Settings.model_validate({"broker": broker.settings(client_id="lost")})
        with consuming(settings, db) as consumer:
            publish(broker.port, (message("p", i) for i in range(10)))
            wait_until(lambda: count(db, "p") == 10, "the first are stored")
            broker.kill()
            wait_until(lambda: not consumer.status.link.connected, "the loss is noticed")
            (kept / "mosquitto.db").unlink(missing_ok=True)
            broker.start()
            wait_until(lambda: consumer.status.link.connected, "it is connected again")
            assert consumer.status.link.session_present is False
            publish(broker.port, (message("p", i) for i in range(10, 20)))
            wait_until(lambda: count(db, "p") == 20, "the next are stored")
    assert f":{broker.port} kept no session: what was sent while we were away is lost there" in caplog.text
