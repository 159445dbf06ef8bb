"""How fast readings are committed and then acknowledged, beside a client that does nothing with them.

    python -m simulators.benchmarks.ingest [--messages 10000] [--rounds 5]

Each run drains a persistent session that a real mosquitto has filled beforehand, so that only broker and consumer
work. The do-nothing client is paho-mqtt as its documentation starts it (`loop_start`, automatic acknowledgement, a
callback that counts). The two take turns, so that a slow moment of the machine hits both; the ratio of each round
is taken, and the median of the rounds printed. Rates of different runs or machines can't be compared, ratios can.
The processor time of this process is given too: on a machine that is busy otherwise it says more than the clock.
"""

from __future__ import annotations

import argparse
import getpass
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from time import perf_counter, process_time, sleep
from typing import NamedTuple

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.gc_tuning import calm_garbage_collection
from monitord.ingest.mqtt.embedded_broker import LOOPBACK, free_port
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.store.db.database import Database

PROBES = 100
INTERVAL = timedelta(minutes=10)
START = datetime(2025, 1, 1, tzinfo=UTC)
WINDOW = 2000
FILTER = "monitord/#"
AIM = 0.7
"""Of the do-nothing client's rate."""
_PATIENCE_S = 120.0


class Spent(NamedTuple):
    """What a drain took."""

    wall_s: float
    processor_s: float
    """Of this process, all threads; other programs on the machine hardly change it."""


class Stopwatch:
    """Starts when it is made."""

    def __init__(self) -> None:
        self._wall, self._processor = perf_counter(), process_time()

    def spent(self) -> Spent:
        """Since the start."""
        return Spent(perf_counter() - self._wall, process_time() - self._processor)


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
    gateway = Client(CallbackAPIVersion.VERSION2, client_id="gateway")
    gateway.max_inflight_messages_set(WINDOW)
    gateway.connect(LOOPBACK, port)
    gateway.loop_start()
    for info in [gateway.publish(topic, payload, 1) for topic, payload in messages(count, pack)]:
        info.wait_for_publish(_PATIENCE_S)
    leave(gateway)


def drain_doing_nothing(port: int, client_id: str, protocol: str, count: int) -> Spent:
    """What the do-nothing client takes, to the last message and its acknowledgement."""
    done, seen = threading.Event(), 0

    def on_message(*_: object) -> None:
        nonlocal seen
        seen += 1
        if seen == count:
            done.set()

    watch = Stopwatch()
    plain = client(port, client_id, protocol)
    plain.on_message = on_message
    plain.loop_start()
    if not done.wait(_PATIENCE_S):
        raise RuntimeError(f"only {seen} of {count} messages came")
    leave(plain)
    return watch.spent()


def drain_into_store(port: int, client_id: str, protocol: str, count: int, pack: int) -> Spent:
    """What our consumer takes, to the last commit and its acknowledgement."""
    with tempfile.TemporaryDirectory() as folder:
        db = Database.open(f"sqlite:///{folder}/monitord.db")
        settings = BrokerSettings.model_validate({"port": port, "protocol": protocol, "client_id": client_id})
        consumer = Consumer(settings, db, SystemClock(), TopicRules())
        watch = Stopwatch()
        consumer.start()
        while consumer.status.totals.inserted < count * pack and watch.spent().wall_s < _PATIENCE_S:
            sleep(0.005)
        consumer.stop()
        spent = watch.spent()
        db.close()
    if consumer.status.totals.inserted != count * pack:
        raise RuntimeError(f"stored {consumer.status.totals} of {count * pack} readings")
    left = left_behind(port, client_id, protocol)
    if left:
        raise RuntimeError(f"{left} messages were not acknowledged")
    return spent


def left_behind(port: int, client_id: str, protocol: str) -> int:
    """Messages that the broker still holds for a session."""
    sleep(0.2)
    seen: list[object] = []
    plain = client(port, client_id, protocol)
    plain.on_message = lambda *arguments: seen.append(arguments)
    plain.loop_start()
    sleep(0.2)
    leave(plain)
    return len(seen)


def compare(port: int, protocol: str, count: int, pack: int, rounds: int) -> float:
    """Print one line of the table; the median ratio of the rates."""
    nothing: list[Spent] = []
    ours: list[Spent] = []
    for number in range(rounds):
        for which in (0, 1) if number % 2 == 0 else (1, 0):
            name = f"{'nothing' if which == 0 else 'monitord'}-{protocol}-{pack}"
            fill(port, name, protocol, count, pack)
            if which == 0:
                nothing.append(drain_doing_nothing(port, name, protocol, count))
            else:
                ours.append(drain_into_store(port, name, protocol, count, pack))
            forget(port, name)
            print(".", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    readings = count * pack
    rates = [readings / median(spent.wall_s for spent in runs) for runs in (nothing, ours)]
    costs = [median(spent.processor_s for spent in runs) / readings * 1e6 for runs in (nothing, ours)]
    ratios = [a.wall_s / b.wall_s for a, b in zip(nothing, ours, strict=True)]
    print(
        f"{protocol:>6} {pack:>5} {rates[0]:>12,.0f} {rates[1]:>12,.0f} {median(ratios):>7.2f}"
        f"   {min(ratios):.2f} to {max(ratios):.2f} {costs[0]:>12.1f} {costs[1]:>12.1f} {costs[0] / costs[1]:>7.2f}",
        flush=True,
    )
    return median(ratios)


def main() -> int:
    """Compare for both protocols, single readings and packs of ten."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--messages", type=int, default=10_000, help="of single readings; default: %(default)s")
    parser.add_argument("--rounds", type=int, default=5, help="default: %(default)s")
    asked = parser.parse_args()
    calm_garbage_collection()  # as the daemon does; the do-nothing client gains by it as well
    print(f"{'':12} {'readings per second':^33} {'':14} {'processor time, us a reading':^33}")
    print(
        f"{'MQTT':>6} {'pack':>5} {'do-nothing':>12} {'stored+acked':>12} {'ratio':>7}   {'of rounds':12}"
        f" {'do-nothing':>12} {'stored+acked':>12} {'ratio':>7}"
    )
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder)) as port:
        ratios = [
            compare(port, protocol, asked.messages if pack == 1 else max(1, asked.messages // 4), pack, asked.rounds)
            for protocol in ("5", "3.1.1")
            for pack in (1, 10)
        ]
    print(f"aim: at least {AIM} of the do-nothing rate; least of these: {min(ratios):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
