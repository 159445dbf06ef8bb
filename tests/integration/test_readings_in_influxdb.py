"""InfluxDB as the store of raw readings, a real server: nothing lost, nothing twice, moved there and back.

What the store promises about readings is in `tests/unit/store`, which runs on it as well.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from brokers import Mosquitto, left_in_session, publish, wait_until
from influx import TOKEN, Influx, readings_in
from sqlalchemy import select

from monitord.cli import main
from monitord.clock import SystemClock
from monitord.daemon.doctor import Mark, _readings
from monitord.errors import ConfigurationError, StoreError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.model.config.settings import Settings, load_settings
from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.readings import Reading
from monitord.store import quarantine
from monitord.store.db.database import Database
from monitord.store.db.tables import reading as reading_table
from monitord.store.db.tables import touched_hour
from monitord.store.series import archived, keeping
from monitord.store.series.influx import readings as influx_module
from monitord.store.series.readings import insert_batch, load_hourly, load_series, probes_seen

T0 = datetime(2025, 3, 1, tzinfo=UTC)
PLACEMENT = Placement(probe="p1", location_id="void", from_time=T0)


def at(minutes: float, probe: str = "p1", **values: Any) -> Reading:
    time = T0 + timedelta(minutes=minutes)
    given = {"temperature_c": 18.0 + minutes / 100, "relative_humidity_pct": 61.4, "received_at": time}
    return Reading(probe=probe, time=time, **(given | values))


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    with Influx(tmp_path_factory.mktemp("influx")) as server:
        server.create("drying")
        yield server


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path}/m.sqlite3"


@pytest.fixture
def settings(influx: Influx, url: str, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Settings:
    """Those of a daemon with its readings in InfluxDB; each test has a measurement of its own."""
    monkeypatch.setattr(influx_module, "MEASUREMENT", request.node.name)
    given = {"READINGS": "influxdb", "URL": influx.url, "BUCKET": "drying", "TOKEN": TOKEN, "TIMEOUT_S": "5"}
    monkeypatch.setenv("MONITORD_DATABASE__URL", url)
    for name, value in given.items():
        monkeypatch.setenv(f"MONITORD_STORE__{name}", value)
    return load_settings(None)


@pytest.fixture
def db(settings: Settings) -> Iterator[Database]:
    with closing(keeping.open_store(settings)) as database:
        yield database


def stored(db: Database) -> list[float]:
    """Minutes of what is stored of the probe."""
    with db.read() as conn:
        series = load_series(conn, PLACEMENT, T0, T0 + timedelta(days=9))
        assert conn.execute(select(reading_table)).first() is None, "none is in the table"
    return [round((time - T0.timestamp()) / 60, 6) for time in series.time_s.tolist()]


# --- killed, away, refused ----------------------------------------------------------------------------------

CHILD = """
import os, signal, sys
from monitord.model.config.settings import load_settings
from monitord.model.readings import Reading
from monitord.store.series import archived, keeping
from monitord.store.series.influx import readings
from monitord.store.series.readings import insert_batch

readings.MEASUREMENT = sys.argv[1]
with keeping.open_store(load_settings(None)).write() as conn:
    assert insert_batch(conn, [Reading.model_validate_json(line) for line in sys.argv[2:]]).inserted == 6
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_killed_between_both_writes_the_redelivery_stores_each_once_and_touches_the_hour(
    db: Database, request: pytest.FixtureRequest
) -> None:
    words = [request.node.name, *(at(10 * k).model_dump_json() for k in range(6))]
    died = subprocess.run([sys.executable, "-c", CHILD, *words], check=False, timeout=60)
    assert died.returncode == -signal.SIGKILL
    assert stored(db) == [0, 10, 20, 30, 40, 50]
    with db.read() as conn:
        assert conn.execute(select(touched_hour)).all() == [], "what the database was to note died with the process"
        assert probes_seen(conn) == []
    with db.write() as conn:
        again = insert_batch(conn, [at(10 * k) for k in range(6)])
    assert (again.inserted, again.repeats, again.conflicts) == (0, 6, [])
    assert stored(db) == [0, 10, 20, 30, 40, 50]
    with db.read() as conn:
        assert load_hourly(conn, PLACEMENT, T0 + timedelta(hours=1)).count.tolist() == [6]
        assert [seen.time for seen in probes_seen(conn)] == [T0 + timedelta(minutes=50)]


def test_while_the_server_is_away_nothing_is_acknowledged_and_nothing_lost(
    influx: Influx, db: Database, mosquitto: Mosquitto
) -> None:
    broker = mosquitto.settings()
    consumer = Consumer(broker, db, SystemClock(), TopicRules())
    messages = [("monitord/attic/p1/reading", at(10 * k).model_dump_json(include=SENT).encode()) for k in range(40)]
    consumer.start()
    try:
        wait_until(lambda: consumer.status.link.connected, "the consumer is connected")
        influx.stop_server()
        publish(mosquitto.port, messages)
        wait_until(lambda: consumer.status.store_error is not None, "the store has refused")
        wait_until(lambda: consumer.status.waiting == 40, "all have come, and wait")
        assert consumer.status.last_commit_at is None
        assert "InfluxDB" in (consumer.status.store_error or "")
        influx.start()
        wait_until(lambda: consumer.status.totals.inserted == 40, "all are stored")
        assert consumer.stop()
    finally:
        consumer.stop()
    assert len(stored(db)) == 40
    assert left_in_session(broker) == 0


SENT = {"time", "temperature_c", "relative_humidity_pct"}


def test_a_reading_that_the_server_never_takes_is_held_and_the_others_are_stored(db: Database) -> None:
    writer = BatchWriter(db, TopicRules())
    times = ("2025-03-01T00:00:00Z", "2999-01-01T00:00:00Z", "2025-03-01T00:10:00Z")  # it counts to the year 2262
    payload = '{{"time": "{}", "temperature_c": 18, "relative_humidity_pct": 61.4}}'
    outcome = writer.commit([IncomingMessage("monitord/g/p1/reading", payload.format(t).encode(), T0) for t in times])
    assert (outcome.inserted, outcome.repeats, outcome.held) == (2, 0, 1)
    assert stored(db) == [0, 10]
    with db.read() as conn:
        (held,) = quarantine.list_held(conn)
    assert held.code == "store_refused"
    assert "between the years 1677 and 2262" in held.reason


def test_a_server_that_refuses_for_another_reason_is_tried_again(db: Database, influx: Influx) -> None:
    with closing(readings_in(influx, "not-there")) as readings:
        keeping.use(db, readings)
        with pytest.raises(StoreError, match=r"store\.bucket"), db.write() as conn:
            insert_batch(conn, [at(0)])


# --- moved --------------------------------------------------------------------------------------------------


def test_readings_are_moved_there_and_back_and_are_the_same(
    settings: Settings, url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    batch = [at(10 * k, probe, gateway="g 1", battery_v=3.05) for k in range(30) for probe in ("p1", "p,=2")]
    with closing(Database.open(url)) as db:
        with db.write() as conn:
            insert_batch(conn, batch, retained=frozenset({0}))
        with db.read() as conn:
            before = conn.execute(select(reading_table)).all()
            series = load_series(conn, PLACEMENT, T0, T0 + timedelta(days=9))
    with pytest.raises(ConfigurationError, match="monitord store readings influxdb"):
        keeping.open_store(settings)
    assert main(["store", "readings", "influxdb"]) == 0
    assert "60 readings are the same there" in capsys.readouterr().out
    with pytest.raises(ConfigurationError, match="monitord store readings database"):
        keeping.open_store(Settings(database=settings.database))
    with closing(keeping.open_store(settings)) as db:
        assert len(stored(db)) == 30
        with db.read() as conn:
            assert repr(load_series(conn, PLACEMENT, T0, T0 + timedelta(days=9))) == repr(series)
        job = JobFile(
            job="J1", start=T0, locations=(Location(id="void", kind=LocationKind.CAVITY),), probes=(PLACEMENT,)
        )
        with db.read() as conn, pytest.raises(StoreError, match="not in the database"):
            archived.stored_readings(conn, job, T0)
    checks = list(_readings(settings))
    assert checks[0].mark is Mark.OK
    assert "2 probes" in checks[0].text
    assert main(["store", "readings", "database"]) == 0
    assert main(["store", "readings", "database"]) == 1, "they are there already"
    with closing(Database.open(url)) as db, db.read() as conn:
        assert conn.execute(select(reading_table)).all() == before
