"""Gateways that send no time, over a real broker: what waited is of unknown age; and `monitord topics watch`."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import Mosquitto, publish, wait_until
from sqlalchemy import func, select

from monitord.cli import main
from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import TopicRule
from monitord.store.db.database import Database
from monitord.store.db.tables import reading
from monitord.store.quarantine import list_held

RULE = {
    "pattern": "up/{probe}",
    "format": "mapped-json",
    "when": "t",
    "mapping": {"time_format": "arrival", "temperature_c": {"path": "t"}, "relative_humidity_pct": {"path": "h"}},
}
WAITED = 144
"""Messages of a day and a half at four an hour."""


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/gateways.sqlite3")
    yield database
    database.close()


def stored(db: Database) -> int:
    with db.read() as conn:
        return conn.execute(select(func.count()).select_from(reading)).scalar_one()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_waited_at_the_broker_is_held_and_not_stored_at_the_second_of_its_arrival(
    tmp_path: Path, db: Database, protocol: str
) -> None:
    rules = TopicRules([TopicRule.model_validate(RULE)])
    with Mosquitto(tmp_path / "broker", save_every=1000) as broker:
        settings = broker.settings(protocol)
        first = Consumer(settings, db, SystemClock(), rules)
        first.start()
        wait_until(lambda: first.status.link.connected, "connected")
        publish(broker.port, [("up/p", b'{"t": 18, "h": 61}'), ("up/door", b'{"open": true}')])
        wait_until(lambda: first.status.totals.inserted == 1, "a live message is stored")
        wait_until(lambda: first.status.totals.passed == 1, "what is no reading is passed over")
        assert first.stop()

        publish(broker.port, [("up/p", b'{"t": %d, "h": 61}' % (i + 1)) for i in range(WAITED)])
        second = Consumer(settings, db, SystemClock(), rules)
        second.start()
        wait_until(lambda: second.status.totals.held == WAITED, "all that waited is held")
        assert second.stop()
    assert stored(db) == 1
    with db.read() as conn:
        assert {held.code for held in list_held(conn)} == {"no_age"}


def test_watching_shows_what_arrives_and_leaves_the_daemons_session_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)
    with Mosquitto(tmp_path / "broker") as broker:
        monkeypatch.setenv("MONITORD_BROKER__PORT", str(broker.port))
        over = threading.Event()

        def keep_publishing() -> None:
            while not over.is_set():
                publish(broker.port, [("mill/attic/up", b'{"temperature": 18.2, "humidity": 61}')])
                over.wait(0.2)

        sender = threading.Thread(target=keep_publishing)
        sender.start()
        try:
            assert main(["topics", "watch", "--filter", "mill/#", "--count", "2", "--for-s", "60"]) == 0
        finally:
            over.set()
            sender.join()
    told = capsys.readouterr().out
    assert told.count("mill/attic/up: 37 bytes") == 2
    assert told.count("A draft of a rule") == 1
    assert 'pattern = "mill/{probe}/up"' in told
    assert told.endswith("2 messages\n")
