"""Readings lost when whatever takes them in is killed without warning, again and again, in full stream.

A real mosquitto, a publisher that waits for its acknowledgements, and a persistent session that exists before the first
message. The way in is ended by SIGKILL when a share of the messages is stored, started again at once, and at the end
left alone until nothing comes any more. Lost is what was published, is not stored then, and is not held by the broker
either: what is still held may only be late, on a machine where a start takes long.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from time import monotonic, sleep
from typing import NamedTuple

from monitord.ingest.mqtt.embedded_broker import LOOPBACK
from simulators.benchmarks.broker import FILTER, client, leave, messages, publish
from simulators.benchmarks.stores import SQLITE, Key, Store

QUIET_S = 45.0
"""Nothing new for this long: nothing comes any more. On a busy machine a daemon may take a quarter of it to start."""
_PATIENCE_S = 300.0


def key_of(topic: str, payload: str | bytes | bytearray) -> Key:
    """Which message this is."""
    return topic.split("/")[2], round(datetime.fromisoformat(json.loads(payload)["time"]).timestamp() * 1000)


class Way(NamedTuple):
    """A way from the broker into a store."""

    name: str
    command: Callable[[int, Path], Sequence[str]]
    """From the broker's port and a folder of its own."""
    environment: Callable[[int, Path], dict[str, str]]
    stored: Callable[[Path], set[Key]]
    """Messages in its store, looked at from outside."""
    session: str
    """The client id of its session."""


def _pipe(port: int, folder: Path) -> Sequence[str]:
    subscriber = f"mosquitto_sub -h {LOOPBACK} -p {port} -i pipe -c -q 1 -t {shlex.quote(FILTER)}"
    form = "INSERT OR IGNORE INTO raw VALUES('%t', '%p');"
    store = f"sqlite3 -cmd 'PRAGMA synchronous=OFF' {shlex.quote(str(folder / 'raw.db'))}"
    begin = "PRAGMA journal_mode=WAL; CREATE TABLE IF NOT EXISTS raw(topic, payload, PRIMARY KEY(topic, payload));"
    return ["sh", "-c", f"{store} {shlex.quote(begin)}; {subscriber} -F {shlex.quote(form)} | {store}"]


def _piped(folder: Path) -> set[Key]:
    path = folder / "raw.db"
    if not path.exists():
        return set()
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=5)) as connection:
            return {key_of(*row) for row in connection.execute("SELECT topic, payload FROM raw")}
    except sqlite3.OperationalError:  # it has not made its table yet
        return set()


def monitord_into(store: Store) -> Way:
    """Our daemon, with its readings in a store."""

    def environment(port: int, folder: Path) -> dict[str, str]:
        words = {"MONITORD_BROKER__PORT": str(port), "MONITORD_WEB__PORT": "0"}
        return {**words, **store.environment(folder)}

    command = [sys.executable, "-m", "monitord", "run"]
    return Way(f"monitord into {store.name}", lambda _port, _folder: command, environment, store.stored, "monitord")


MONITORD = monitord_into(SQLITE)
PIPE = Way("mosquitto_sub | sqlite3", _pipe, lambda _port, _folder: {}, _piped, "pipe")


def available(way: Way) -> bool:
    """Whether the programs that it needs are here."""
    return way is not PIPE or all(shutil.which(name) for name in ("mosquitto_sub", "sqlite3"))


def start(way: Way, port: int, folder: Path) -> subprocess.Popen[bytes]:
    """Start it as a process group of its own, so that a kill takes all of it."""
    environment = os.environ | way.environment(port, folder)
    command = list(way.command(port, folder))
    return subprocess.Popen(
        command, env=environment, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def end(process: subprocess.Popen[bytes], how: signal.Signals) -> None:
    """Signal the whole group, and wait."""
    os.killpg(process.pid, how)
    process.wait()


def held(way: Way, port: int) -> set[Key]:
    """Messages that the broker still holds for the way's session; they are taken from it."""
    found: set[Key] = set()
    owner = client(port, way.session, "5")
    owner.on_message = lambda _client, _data, message: found.add(key_of(message.topic, message.payload))
    owner.loop_start()
    known = -1
    while len(found) > known:
        known = len(found)
        sleep(2.0)
    leave(owner)
    return found


def open_session(port: int, client_id: str, filters: Sequence[str] = (FILTER,)) -> None:
    """Have the broker keep a session's messages from now on."""
    owner, subscribed = client(port, client_id, "5"), threading.Event()
    owner.on_subscribe = lambda *_: subscribed.set()
    owner.loop_start()
    owner.subscribe([(name, 1) for name in filters])
    subscribed.wait(10)
    leave(owner)


class Loss(NamedTuple):
    """What became of the messages after the kills."""

    lost: int
    """Neither stored nor with the broker."""
    late: int
    """Still with the broker."""


def lost(way: Way, port: int, folder: Path, count: int, kills: int) -> Loss:
    """How many of `count` messages are missing after `kills` kills."""
    open_session(port, way.session)
    sent = list(messages(count, 1))
    publisher = threading.Thread(target=publish, args=(port, sent))
    process = start(way, port, folder)
    publisher.start()
    try:
        for kill in range(kills):
            wait_for(way, folder, count * (kill + 1) // (kills + 1))
            end(process, signal.SIGKILL)
            process = start(way, port, folder)
        publisher.join()
        wait_for(way, folder, count)
    finally:
        end(process, signal.SIGTERM)
    missing = {key_of(*message) for message in sent} - way.stored(folder)
    late = missing & held(way, port)
    return Loss(len(missing) - len(late), len(late))


def wait_for(way: Way, folder: Path, count: int) -> None:
    """Until so many are stored, or nothing new has come for `QUIET_S` since the first."""
    known, since, deadline = 0, monotonic(), monotonic() + _PATIENCE_S
    while known < count and monotonic() < deadline:
        now = len(way.stored(folder))
        if now != known or not known:
            known, since = now, monotonic()
        if known and monotonic() - since > QUIET_S:
            return
        sleep(0.05)
