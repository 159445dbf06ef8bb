"""The benchmark measures what it says: its parts on a very small scale, without a bound on any time."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.model.config.settings import load_settings
from monitord.store.db.database import Database
from simulators import benchmark
from simulators.benchmarks import fleet, kills, node_red, rounds, stores
from simulators.benchmarks.broker import messages
from simulators.benchmarks.lines import Line, memory_mib, table


def test_a_fleet_stores_every_reading_and_rolls_all_hours_up(tmp_path: Path) -> None:
    assert stores.SQLITE.stored(tmp_path) == set()
    found = fleet.take_in(str(tmp_path), probes=30, rounds=fleet.ROUNDS)
    assert len(stores.SQLITE.stored(tmp_path)) == 30 * fleet.ROUNDS
    assert found["stored"] == 30 * fleet.ROUNDS
    assert len(found["slices"]) == fleet.ROUNDS
    with sqlite3.connect(tmp_path / "monitord.db") as connection:
        assert connection.execute("SELECT count(*), sum(count) FROM hourly").fetchone() == (30, 180)
        assert connection.execute("SELECT count(*) FROM touched_hour").fetchone() == (0,)
    connection.close()


def test_messages_of_a_fleet_come_in_order_and_once_an_interval() -> None:
    sent = [message for batch in fleet.batches(probes=700, rounds=2) for message in batch]
    assert len({message.topic for message in sent}) == 700
    assert [message.received_at for message in sent] == sorted(message.received_at for message in sent)
    times = [json.loads(m.payload)["time"] for m in sent if m.topic == sent[0].topic]
    assert times == ["2025-03-01T00:00:00.000+00:00", "2025-03-01T00:10:00.000+00:00"]


def test_a_round_takes_every_job_and_clears_its_mark() -> None:
    took = rounds.measured(rounds.Case(jobs=2, places=3, days=1))
    assert took.first.wall_s > 0
    assert took.warm.processor_s > 0
    assert took.kept_mb > 0
    assert took.mean_s > 0
    assert took.restart_s > 0


def test_memory_is_that_of_the_process() -> None:
    before = memory_mib()[0]
    held = bytearray(os.urandom(1)) * (64 * 2**20)
    assert 50 < memory_mib()[0] - before < 80
    assert len(held) == 64 * 2**20


def test_servers_are_stores_where_the_environment_names_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert [store.name for store in stores.stores()] == ["SQLite"]
    monkeypatch.setenv("BENCHMARK_POSTGRESQL", "postgresql://somebody@localhost/empty")
    monkeypatch.setenv("BENCHMARK_INFLUXDB", "http://localhost:8086")
    monkeypatch.setenv("BENCHMARK_INFLUXDB_TOKEN", "secret")
    found = stores.stores()
    assert [store.name for store in found] == ["SQLite", "PostgreSQL", "InfluxDB"]
    for name, value in found[2].environment(tmp_path).items():
        monkeypatch.setenv(name, value)
    assert load_settings(None).store == found[2].settings(tmp_path).store


def test_a_way_is_killed_with_all_of_its_processes(tmp_path: Path) -> None:
    """The group of a shell that waits for another process ends with it: both ends of the pipe are closed then."""
    reading, writing = os.pipe()
    script = "import subprocess, sys; subprocess.run([sys.executable, '-c', 'import signal; signal.pause()'])"
    way = kills.MONITORD._replace(command=lambda _port, _folder: [sys.executable, "-c", script])
    os.set_inheritable(writing, True)
    process = kills.start(way, 0, tmp_path)
    os.close(writing)
    kills.end(process, signal.SIGKILL)
    assert process.returncode == -signal.SIGKILL
    assert os.read(reading, 1) == b""
    os.close(reading)


def test_a_message_is_known_by_probe_and_stamp_in_whatever_store(tmp_path: Path) -> None:
    ((topic, payload), *_) = messages(1, 1)
    sent = kills.key_of(topic, payload)
    assert sent == ("p0", 1_735_689_600_000)  # 2025-01-01T00:00:00Z, by `date -u -d 2025-01-01 +%s`
    with closing(sqlite3.connect(tmp_path / "raw.db")) as raw:
        raw.execute("CREATE TABLE raw(topic, payload)")
        raw.execute("INSERT INTO raw VALUES (?, ?)", (topic, payload.decode()))
        raw.commit()
    with closing(Database.open(f"sqlite:///{tmp_path}/monitord.db")) as db:
        BatchWriter(db, TopicRules()).commit([IncomingMessage(topic, payload, datetime(2025, 1, 2, tzinfo=UTC))])
    node_red.WAY.command(1883, tmp_path)
    assert node_red.WAY.stored(tmp_path) == set()
    with closing(sqlite3.connect(tmp_path / "flow.db")) as made:
        made.execute("INSERT INTO reading(probe, time) VALUES (?, ?)", ("p0", json.loads(payload)["time"]))
        made.commit()
    ways = (kills.PIPE, kills.MONITORD, node_red.WAY)
    assert [way.stored(tmp_path) for way in ways] == [{sent}] * 3


def test_lines_make_a_table_of_markdown() -> None:
    assert table([Line("a", "this", "1.00", "2")]).splitlines()[-1] == "| a | this | 1.00 | 2 |"


def test_parts_are_chosen_by_their_letter(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    parts = {letter: (letter, lambda *, quick, letter=letter: iter([Line(letter, "", str(quick))])) for letter in "ab"}
    monkeypatch.setattr(benchmark, "PARTS", parts)
    assert benchmark.main(["--part", "b", "--quick"]) == 0
    assert capsys.readouterr().out.splitlines()[2:] == ["| b |  | True |  |"]
    benchmark.main([])
    assert len(capsys.readouterr().out.splitlines()) == 4
    with pytest.raises(SystemExit):
        benchmark.main(["--part", "z"])
