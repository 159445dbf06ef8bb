"""An outdoor forecast from a real broker to the words about the coming night."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from brokers import LOOPBACK, Mosquitto, publish, wait_until
from clocks import AcceleratedClock
from web_support import HandClock

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.assess import damage_hour
from monitord.daemon.wiring import Daemon
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.settings import Settings
from monitord.model.damage import NightAhead
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.pipeline import assess_pending, mark_running
from monitord.store.assessments import latest_assessment
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.outdoor_forecasts import load
from monitord.store.series.readings import insert_batch

START = datetime(2025, 1, 6, tzinfo=UTC)
NOW = START + timedelta(days=9, hours=17)
JOB = JobFile.model_validate(
    {
        "job": "mill",
        "start": START.isoformat(),
        "locations": [
            {"id": "room", "kind": "room_air", "f_rsi": 0.7},
            {"id": "yard", "kind": "outdoor_air"},
        ],
        "probes": [
            {"id": "p1", "location_id": "room", "from": START.isoformat()},
            {"id": "p2", "location_id": "yard", "from": START.isoformat()},
        ],
    }
)


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    """Nine mild days: 5 °C outdoors, a room at 20 °C and 55 %, a surface at 15.5 °C that stays dry."""
    database = Database.open(f"sqlite:///{tmp_path}/monitord.db")
    hours = np.arange(0.0, (NOW - START).total_seconds(), 1800.0)
    daily = np.sin(2 * np.pi * hours / 86_400.0)
    rows = []
    for probe, t, rh in (("p1", 20.0 + 0 * daily, 55.0 + daily), ("p2", 5.0 + 1.5 * daily, 80.0 - 3 * daily)):
        for s, a, b in zip(hours, t, rh, strict=True):
            at = START + timedelta(seconds=float(s))
            row = {"temperature_c": round(float(a), 2), "relative_humidity_pct": round(float(b), 2)}
            rows.append(Reading(probe=probe, time=at, received_at=at, **row))  # type: ignore[arg-type]
    with database.write() as conn:
        apply_job(conn, JOB)
        insert_batch(conn, rows)
    yield database
    database.close()


def frost(issued: datetime) -> bytes:
    hours = [
        {"time": (issued + timedelta(hours=k)).isoformat(), "temperature_c": -16.0, "dew_point_c": -18.0}
        for k in range(1, 40)
    ]
    return json.dumps({"issued_at": issued.isoformat(), "hours": hours, "source": "test"}).encode()


def night(db: Database, now: datetime) -> NightAhead:
    clock = HandClock(now)
    mark_running(db, clock)
    done = assess_pending(db, clock, default_rule_book(), AnalysisOptions())
    assert done.failed == ()
    with db.read() as conn:
        assessed = latest_assessment(conn, "mill")
    assert assessed is not None
    room = assessed.at("room")
    assert room is not None
    assert room.night_ahead is not None
    return room.night_ahead


def test_frost_that_is_forecast_is_in_the_night_ahead_from_the_next_full_hour_of_the_view_on(
    mosquitto: Mosquitto, db: Database
) -> None:
    before = night(db, NOW)
    assert not before.by_outdoor_forecast
    issued, arrived = NOW - timedelta(hours=2), NOW + timedelta(minutes=1)
    consumer = Consumer(mosquitto.settings(), db, HandClock(arrived), TopicRules())
    consumer.start()
    try:
        wait_until(lambda: consumer.status.link.connected, "connected")
        publish(mosquitto.port, [("monitord/mill/outdoor-forecast", frost(issued))], retain=True)
        wait_until(lambda: consumer.status.received - consumer.status.waiting == 1, "committed")
    finally:
        consumer.stop()
    assert consumer.status.totals.held == 0
    soon, later = NOW + timedelta(minutes=10), NOW + timedelta(hours=1, minutes=5)
    assert damage_hour(soon) < arrived <= damage_hour(later)
    unchanged, told = night(db, soon), night(db, later)
    assert unchanged == before  # what came after the view's hour does not bear on it
    assert told.by_outdoor_forecast
    assert told.deepest.value < before.deepest.value - 1.5
    assert told.probability > before.probability


def test_a_forecast_that_has_grown_old_is_used_no_more(mosquitto: Mosquitto, db: Database) -> None:
    consumer = Consumer(mosquitto.settings(), db, HandClock(NOW - timedelta(hours=30)), TopicRules())
    consumer.start()
    try:
        wait_until(lambda: consumer.status.link.connected, "connected")
        publish(mosquitto.port, [("monitord/mill/outdoor-forecast", frost(NOW - timedelta(hours=31)))])
        wait_until(lambda: consumer.status.received - consumer.status.waiting == 1, "committed")
    finally:
        consumer.stop()
    assert not night(db, NOW).by_outdoor_forecast


def test_the_daemon_reads_the_files_of_running_jobs(
    embedded_broker: EmbeddedBroker, db: Database, tmp_path: Path
) -> None:
    (tmp_path / "mill.json").write_bytes(frost(NOW - timedelta(hours=1)))
    (tmp_path / "other.json").write_bytes(frost(NOW - timedelta(hours=1)))  # no job of that name
    settings = Settings.model_validate(
        {
            "database": {"url": f"sqlite:///{tmp_path}/monitord.db"},
            "broker": {"host": LOOPBACK, "port": embedded_broker.port, "protocol": "3.1.1"},
            "outdoor_forecast": {"file": f"{tmp_path}/{{job}}.json", "every_s": 10},
            "web": {"port": 0},
        }
    )
    daemon = Daemon(settings, AcceleratedClock(NOW, factor=600))
    day = timedelta(days=1)

    def known(job: str) -> bool:
        with db.read() as conn:
            return load(conn, job, NOW + day / 2, day) is not None

    daemon.start()
    try:
        wait_until(lambda: known("mill"), "the file is read")
    finally:
        daemon.stop()
    assert not known("other")
