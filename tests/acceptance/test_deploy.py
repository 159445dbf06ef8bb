"""The broker's configuration that we hand out keeps what it acknowledged, and lets each gateway write its own only."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

DEPLOY = Path(__file__).parents[2] / "deploy"
PASSWORD = "for-this-test"
MESSAGES = 60


@pytest.fixture
def broker(tmp_path: Path, configured_mosquitto: Callable[[str], object]) -> Callable[[], object]:
    """Starts, and after a kill starts again, a broker on our configuration with the paths of this test."""
    passwords, data = tmp_path / "passwords", tmp_path / "data"
    data.mkdir()
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "monitord", PASSWORD], check=True)
    for gateway in ("gw1", "gw2"):
        subprocess.run(["mosquitto_passwd", "-b", str(passwords), gateway, PASSWORD], check=True)
    text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
    for ours, here in (
        ("/etc/mosquitto/monitord.passwd", passwords),
        ("/etc/mosquitto/monitord.acl", DEPLOY / "mosquitto.acl"),
        ("/var/lib/mosquitto/", f"{data}/"),
    ):
        assert ours in text
        text = text.replace(ours, str(here))
    return lambda: configured_mosquitto(text)


def client(name: str, user: str) -> mqtt.Client:
    made = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
    made.username_pw_set(user, PASSWORD)
    return made


def join(given: mqtt.Client, port: int, keep_session: bool = False) -> None:
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600 if keep_session else 0
    properties.ReceiveMaximum = 2000
    given.connect("127.0.0.1", port, clean_start=not keep_session, properties=properties)
    given.loop_start()
    deadline = time.monotonic() + 10
    while not given.is_connected():
        assert time.monotonic() < deadline, "the broker does not let us in"
        time.sleep(0.01)


def leave(given: mqtt.Client) -> None:
    given.disconnect()
    given.loop_stop()


def test_what_it_acknowledged_while_the_daemon_was_away_survives_its_being_killed(
    broker: Callable[[], object],
) -> None:
    running = broker()
    daemon, subscribed = client("monitord", "monitord"), []
    daemon.on_subscribe = lambda *_: subscribed.append(1)
    join(daemon, running.port, keep_session=True)
    daemon.subscribe("monitord/+/+/reading", qos=1)
    deadline = time.monotonic() + 10
    while not subscribed:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    leave(daemon)

    gateway = client("g", "gw1")
    join(gateway, running.port)
    sent = [gateway.publish("monitord/gw1/p/reading", str(i), qos=1) for i in range(MESSAGES)]
    for one in sent:
        one.wait_for_publish(10)
    leave(gateway)
    time.sleep(1.2)  # its own loop writes what changed once a second at the latest
    running.process.kill()
    running.process.wait(10)

    running = broker()
    received: list[bytes] = []
    daemon = client("monitord", "monitord")
    daemon.on_message = lambda _client, _data, message: received.append(message.payload)
    join(daemon, running.port, keep_session=True)
    deadline = time.monotonic() + 15
    while len(received) < MESSAGES and time.monotonic() < deadline:
        time.sleep(0.05)
    leave(daemon)
    assert sorted(map(int, received)) == list(range(MESSAGES))


@pytest.mark.parametrize(("topic", "allowed"), [("monitord/gw1/p/reading", True), ("monitord/gw2/p/reading", False)])
def test_a_gateway_writes_below_its_own_name_only(broker: Callable[[], object], topic: str, allowed: bool) -> None:
    """MQTT 5 answers a forbidden publish with reason code 0x87, Not authorized (section 3.4.2.1)."""
    running, codes = broker(), []
    gateway = client("g", "gw1")
    gateway.on_publish = lambda _client, _data, _mid, reason, _properties: codes.append(reason.value)
    join(gateway, running.port)
    gateway.publish(topic, "x", qos=1)
    deadline = time.monotonic() + 10
    while not codes and time.monotonic() < deadline:
        time.sleep(0.01)
    leave(gateway)
    assert codes[0] == 0x87 if not allowed else codes[0] < 0x80
