"""A flow of Node-RED that stores readings in SQLite by a keyed insert, as people build it, for comparison.

    npm install --prefix FOLDER node-red node-red-node-sqlite        a compiler, or a binding of SQLite that fits Node
    BENCHMARK_NODE_RED=FOLDER python -m simulators.benchmark --part a

MQTT in (QoS 1, MQTT 5, a session that lasts), a function that takes each record out of the JSON, and a prepared `INSERT
OR IGNORE` with probe and time as key. The file is in WAL mode, which spares the flow a flush; each reading is a commit
of its own with SQLite's default flushes. The flow acknowledges a message when it has come, before anything is stored.
The start of Node-RED is not counted, and its processor time is that of its process.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from time import perf_counter, sleep

from monitord.ingest.mqtt.embedded_broker import LOOPBACK
from simulators.benchmarks import kills
from simulators.benchmarks.broker import FILTER, PATIENCE_S
from simulators.benchmarks.stores import Key

_FILE = "flow.db"
_TABLE = "CREATE TABLE IF NOT EXISTS reading(probe, time, temperature, humidity, battery, PRIMARY KEY(probe, time))"
_SQL = "INSERT OR IGNORE INTO reading VALUES($probe, $time, $temperature, $humidity, $battery)"
_FUNCTION = """
const probe = msg.topic.split("/")[2];
return [[].concat(JSON.parse(msg.payload)).map(r => ({params: {
    $probe: probe, $time: r.time, $temperature: r.temperature_c, $humidity: r.relative_humidity_pct,
    $battery: r.battery_v}}))];
"""
_SESSION = "node-red"


def folder_of() -> Path | None:
    """Where Node-RED is installed, if the environment names it and it has a node for SQLite."""
    named = os.environ.get("BENCHMARK_NODE_RED")
    modules = Path(named or "/nowhere") / "node_modules"
    there = shutil.which("node") and (modules / "node-red").is_dir() and (modules / "node-red-node-sqlite").is_dir()
    return Path(named) if named and there else None


def _command(port: int, folder: Path) -> Sequence[str]:
    """Write the flow into its folder, and make the table."""
    flow = [
        {"id": "tab", "type": "tab", "label": "readings"},
        {"id": "broker", "type": "mqtt-broker", "broker": LOOPBACK, "port": str(port), "clientid": _SESSION,
         "autoConnect": True, "protocolVersion": "5", "keepalive": "60", "cleansession": False,
         "autoUnsubscribe": False, "sessionExpiry": "3600"},
        {"id": "file", "type": "sqlitedb", "db": str(folder / _FILE), "mode": "RWC"},
        {"id": "in", "type": "mqtt in", "z": "tab", "topic": FILTER, "qos": "1", "datatype": "utf8", "broker": "broker",
         "nl": False, "rap": True, "rh": 0, "inputs": 0, "wires": [["take"]]},
        {"id": "take", "type": "function", "z": "tab", "func": _FUNCTION, "outputs": 1, "wires": [["store"]]},
        {"id": "store", "type": "sqlite", "z": "tab", "mydb": "file", "sqlquery": "prepared", "sql": _SQL,
         "wires": [[]]},
    ]  # fmt: skip
    (folder / "flows.json").write_text(json.dumps(flow))
    modules = (folder_of() or Path()) / "node_modules"
    settings = {
        "httpRoot": False,
        "uiPort": 0,
        "flowFile": "flows.json",
        "nodesDir": str(modules / "node-red-node-sqlite"),
        "logging": {"console": {"level": "warn"}},
    }
    (folder / "settings.js").write_text(f"module.exports = {json.dumps(settings)}")
    with closing(sqlite3.connect(folder / _FILE)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(_TABLE)
    red = modules / "node-red" / "red.js"
    return ["node", str(red), "--userDir", str(folder), "--settings", str(folder / "settings.js")]


def _stored(folder: Path) -> set[Key]:
    if not (folder / _FILE).exists():
        return set()
    with closing(sqlite3.connect(folder / _FILE, timeout=5)) as connection:
        rows = connection.execute("SELECT probe, time FROM reading").fetchall()
    return {(probe, round(datetime.fromisoformat(time).timestamp() * 1000)) for probe, time in rows}


WAY = kills.Way("Node-RED into SQLite", _command, lambda _port, _folder: {}, _stored, _SESSION)


def drain(port: int, folder: Path, readings: int) -> tuple[float, float]:
    """What the flow takes for a backlog of its session, by the clock and of the processor; without its start. [s]"""
    process = kills.start(WAY, port, folder)
    ticks = float(os.sysconf("SC_CLK_TCK"))

    def spent() -> float:
        fields = Path(f"/proc/{process.pid}/stat").read_text(encoding="ascii").rsplit(") ", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / ticks

    try:
        first = begun = processor = 0.0
        until = perf_counter() + PATIENCE_S
        with closing(sqlite3.connect(folder / _FILE, timeout=5)) as connection:
            while perf_counter() < until:
                (rows,) = connection.execute("SELECT count(*) FROM reading").fetchone()
                if rows and not first:
                    first, begun, processor = rows, perf_counter(), spent()
                if rows == readings:
                    share = readings / (readings - first)
                    return (perf_counter() - begun) * share, (spent() - processor) * share
                sleep(0.01)
        raise RuntimeError(f"Node-RED stored only {rows} of {readings} readings")
    finally:
        kills.end(process, signal.SIGTERM)
