"""The broker's configuration that we hand out keeps what it acknowledged, and lets each gateway write its own only."""

from __future__ import annotations

import re
import subprocess
import time
from pathlib import Path

import pytest
from brokers import Mosquitto, Publisher, SessionPeek, wait_until
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

DEPLOY = Path(__file__).parents[2] / "deploy"
PASSWORD = "for-this-test"
MESSAGES = 60
NOT_AUTHORIZED = 0x87
"""Reason code of a forbidden publish (MQTT 5.0, table 3-4)."""


@pytest.fixture
def broker(tmp_path: Path) -> Mosquitto:
    """A broker, not yet started, on our configuration with the paths and the port of this test."""
    passwords, data = tmp_path / "passwords", tmp_path / "broker"
    for name, how in (("monitord", ("-c",)), ("gw1", ()), ("gw2", ())):
        subprocess.run(["mosquitto_passwd", "-b", *how, str(passwords), name, PASSWORD], check=True)
    made = Mosquitto(data)
    text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
    for ours, here in (
        ("/etc/mosquitto/monitord.passwd", passwords),
        ("/etc/mosquitto/monitord.acl", DEPLOY / "mosquitto.acl"),
        ("/var/lib/mosquitto/", f"{data}/"),
        ("listener 1883 127.0.0.1", f"listener {made.port} 127.0.0.1"),
    ):
        assert re.search(rf"^[^#]*{re.escape(ours)}$", text, re.MULTILINE)
        text = text.replace(ours, str(here))
    config = data / "mosquitto.conf"
    user = next(line for line in config.read_text().splitlines() if line.startswith("user "))
    config.write_text(f"{user}\n{text}")
    return made


def test_what_it_acknowledged_while_the_daemon_was_away_survives_its_being_killed(broker: Mosquitto) -> None:
    daemon = broker.settings(username="monitord", password=PASSWORD)
    with broker:
        SessionPeek(daemon, ["monitord/+/+/reading"]).close()
        with Publisher(broker.port, "g", username="gw1", password=PASSWORD) as gateway:
            gateway.publish([("monitord/gw1/p/reading", str(i).encode()) for i in range(MESSAGES)])
        time.sleep(1.2)  # it writes what changed once a second at the latest
        broker.kill()
    with broker:
        back = SessionPeek(daemon)
        wait_until(lambda: len(back.messages) >= MESSAGES, "all messages came", 15)
        back.close()
    assert sorted(int(message.payload) for message in back.messages) == list(range(MESSAGES))


@pytest.mark.parametrize(("topic", "allowed"), [("monitord/gw1/p/reading", True), ("monitord/gw2/p/reading", False)])
def test_a_gateway_writes_below_its_own_name_only(broker: Mosquitto, topic: str, allowed: bool) -> None:
    with broker:
        codes: list[int] = []
        gateway = Client(CallbackAPIVersion.VERSION2, client_id="g", protocol=MQTTv5)
        gateway.username_pw_set("gw1", PASSWORD)
        gateway.on_publish = lambda _client, _data, _mid, reason, _properties: codes.append(reason.value)
        gateway.connect("127.0.0.1", broker.port)
        gateway.loop_start()
        gateway.publish(topic, "x", qos=1)
        wait_until(lambda: bool(codes), "the broker answered", 10)
        gateway.disconnect()
        gateway.loop_stop()
    assert codes[0] < 0x80 if allowed else codes[0] == NOT_AUTHORIZED
