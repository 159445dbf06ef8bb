"""A real broker for the benchmarks, and what is sent through it."""

from __future__ import annotations

import getpass
import json
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import sleep

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitord.ingest.mqtt.embedded_broker import LOOPBACK, free_port

PROBES = 100
INTERVAL = timedelta(minutes=10)
START = datetime(2025, 1, 1, tzinfo=UTC)
WINDOW = 2000
FILTER = "monitord/#"
PATIENCE_S = 120.0


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """A mosquitto on a free port of loopback; in memory, since its disk is not what is measured."""
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    if program is None:
        sys.exit("this benchmark needs a real broker: install mosquitto")
    port = free_port()
    lines = [f"user {getpass.getuser()}", f"listener {port} {LOOPBACK}", "allow_anonymous true", "persistence false",
             "max_queued_messages 0", f"max_inflight_messages {WINDOW}", "log_type error"]  # fmt: skip
    (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
    process = subprocess.Popen([program, "-c", str(folder / "mosquitto.conf")], stderr=subprocess.DEVNULL)
    try:
        for _ in range(200):
            with socket.socket() as sock:
                if sock.connect_ex((LOOPBACK, port)) == 0:
                    break
            sleep(0.02)
        yield port
    finally:
        process.terminate()
        process.wait()


def messages(count: int, pack: int) -> Iterator[tuple[str, bytes]]:
    """A backlog of many probes by turns, each message one reading or a pack of them."""
    for i in range(count):
        turn, probe = divmod(i, PROBES)
        records = [
            {
                "time": (START + (turn * pack + k) * INTERVAL).isoformat(),
                "temperature_c": 18.0 + (i + k) % 50 / 10,
                "relative_humidity_pct": 61.4,
                "battery_v": 3.05,
            }
            for k in range(pack)
        ]
        yield f"monitord/attic/p{probe}/reading", json.dumps(records if pack > 1 else records[0]).encode()


def client(port: int, client_id: str, protocol: str) -> Client:
    """A plain client with a persistent session, connected."""
    five = protocol == "5"
    plain = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTv5 if five else MQTTv311,
        clean_session=None if five else False,
    )
    if five:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        properties.ReceiveMaximum = WINDOW
        plain.connect(LOOPBACK, port, clean_start=False, properties=properties)
    else:
        plain.connect(LOOPBACK, port)
    return plain


def forget(port: int, client_id: str) -> None:
    """End a session, so that the broker does not fill it along with the next one."""
    plain, connected = Client(CallbackAPIVersion.VERSION2, client_id=client_id), threading.Event()
    plain.on_connect = lambda *_: connected.set()
    plain.connect(LOOPBACK, port)
    plain.loop_start()
    connected.wait(10)
    leave(plain)


def leave(plain: Client) -> None:
    """Say goodbye; the session stays."""
    plain.disconnect()
    plain.loop_stop()


def fill(port: int, client_id: str, protocol: str, count: int, pack: int) -> None:
    """Have the broker hold messages for a session that nobody is connected to."""
    owner, subscribed = client(port, client_id, protocol), threading.Event()
    owner.on_subscribe = lambda *_: subscribed.set()
    owner.loop_start()
    owner.subscribe(FILTER, 1)
    subscribed.wait(10)
    leave(owner)
    publish(port, messages(count, pack))


def publish(port: int, sent: Iterable[tuple[str, bytes]]) -> None:
    """Publish with QoS 1, and wait for every acknowledgement."""
    gateway = Client(CallbackAPIVersion.VERSION2, client_id="gateway")
    gateway.max_inflight_messages_set(WINDOW)
    gateway.connect(LOOPBACK, port)
    gateway.loop_start()
    for info in [gateway.publish(topic, payload, 1) for topic, payload in sent]:
        info.wait_for_publish(PATIENCE_S)
    leave(gateway)
