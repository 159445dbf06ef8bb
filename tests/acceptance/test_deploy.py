"""The broker's configuration that we hand out keeps what it acknowledged, and lets each gateway write its own only."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import NamedTuple

import pytest
from brokers import Mosquitto, Publisher, SessionPeek, wait_until
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from monitord.ingest.mqtt.client import PACKET_PER_PAYLOAD
from monitord.model.config.broker import BrokerSettings

DEPLOY = Path(__file__).parents[2] / "deploy"
PASSWORD = "for-this-test"
MAIN = Path("/etc/mosquitto/mosquitto.conf")
MESSAGES = 60
REFUSED = 0x80
"""Reason codes from here on are refusals (MQTT 5.0, 2.4)."""
NOT_AUTHORIZED = 0x87
"""Reason code of a forbidden publish (MQTT 5.0, table 3-4)."""


def debian_main() -> str:
    """The main file of Debian's package, of this machine or else as Debian 12 has it (mosquitto 2.0.11)."""
    if MAIN.exists():
        return MAIN.read_text(encoding="utf-8")
    return """
pid_file /run/mosquitto/mosquitto.pid
persistence true
persistence_location /var/lib/mosquitto/
log_dest file /var/log/mosquitto/mosquitto.log
include_dir /etc/mosquitto/conf.d
"""


def moved(text: str, *pairs: tuple[str, Path | str]) -> str:
    """A configuration with its paths and ports replaced by those of this test; each must stand there, once."""
    for ours, local in pairs:
        assert len(re.findall(rf"^[^#\n]*{re.escape(ours)}$", text, re.MULTILINE)) == 1, ours
        text = re.sub(rf"^([^#\n]*){re.escape(ours)}$", lambda found, to=local: found[1] + str(to), text, flags=re.M)
    return text


@pytest.fixture
def broker(tmp_path: Path) -> Mosquitto:
    """A broker, not yet started, on Debian's main file and ours where its head says, moved to this test's folder."""
    passwords, data, more = tmp_path / "passwords", tmp_path / "broker", tmp_path / "conf.d"
    for name, how in (("monitord", ("-c",)), ("gw1", ()), ("gw2", ())):
        subprocess.run(["mosquitto_passwd", "-b", *how, str(passwords), name, PASSWORD], check=True)
    made = Mosquitto(data)
    config = data / "mosquitto.conf"
    user = next(line for line in config.read_text().splitlines() if line.startswith("user "))
    main = moved(
        debian_main(),
        ("/run/mosquitto/mosquitto.pid", data / "mosquitto.pid"),
        ("/var/lib/mosquitto/", f"{data}/"),
        ("/var/log/mosquitto/mosquitto.log", data / "mosquitto.log"),
        ("/etc/mosquitto/conf.d", more),
    )
    config.write_text(f"{user}\n{main}")
    more.mkdir()
    ours = moved(
        (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8"),
        ("/etc/mosquitto/monitord.passwd", passwords),
        ("/etc/mosquitto/monitord.acl", DEPLOY / "mosquitto.acl"),
        ("listener 1883 127.0.0.1", f"listener {made.port} 127.0.0.1"),
    )
    (more / "monitord.conf").write_text(ours)
    return made


def test_what_it_acknowledged_while_the_daemon_was_away_survives_its_being_killed(
    broker: Mosquitto, tmp_path: Path
) -> None:
    daemon = broker.settings(username="monitord", password=PASSWORD)
    snapshot = tmp_path / "broker" / "mosquitto.db"
    with broker:
        SessionPeek(daemon, ["monitord/+/+/reading"]).close()
        with Publisher(broker.port, "g", username="gw1", password=PASSWORD) as gateway:
            gateway.publish([("monitord/gw1/p/reading", f"<{i}>".encode()) for i in range(MESSAGES)])
        last = f"<{MESSAGES - 1}>".encode()
        # by itself, without a stop and with a few messages only: with the broker's own settings in half an hour
        wait_until(lambda: snapshot.exists() and last in snapshot.read_bytes(), "the snapshot holds the last message")
        broker.kill()
    with broker:
        back = SessionPeek(daemon)
        wait_until(lambda: len(back.messages) >= MESSAGES, "all messages came", 15)
        back.close()
    assert sorted(int(message.payload[1:-1]) for message in back.messages) == list(range(MESSAGES))


class Said(NamedTuple):
    """What the broker told a gateway, under MQTT 5."""

    most_bytes: int
    """The largest packet it takes, as it says when one signs in (MQTT 5.0, 3.2.2.3.6)."""
    code: int
    """Reason code of its answer, or of its ending the connection."""


def answer(broker: Mosquitto, topic: str, payload: bytes) -> Said:
    """Publish as gateway gw1."""
    most: list[int] = []
    codes: list[int] = []
    gateway = Client(CallbackAPIVersion.VERSION2, client_id="g", protocol=MQTTv5, reconnect_on_failure=False)
    gateway.username_pw_set("gw1", PASSWORD)
    gateway.on_connect = lambda _client, _data, _flags, _reason, has: most.append(has.MaximumPacketSize)
    gateway.on_publish = lambda _client, _data, _mid, reason, _properties: codes.append(reason.value)
    gateway.on_disconnect = lambda _client, _data, _flags, reason, _properties: codes.append(reason.value)
    gateway.connect("127.0.0.1", broker.port)
    gateway.loop_start()
    wait_until(lambda: bool(most), "the broker let the gateway in", 10)
    gateway.publish(topic, payload, qos=1)
    wait_until(lambda: bool(codes), "the broker answered", 10)
    gateway.disconnect()
    gateway.loop_stop()
    return Said(most[0], codes[0])


@pytest.mark.parametrize(("topic", "allowed"), [("monitord/gw1/p/reading", True), ("monitord/gw2/p/reading", False)])
def test_a_gateway_writes_below_its_own_name_only(broker: Mosquitto, topic: str, allowed: bool) -> None:
    with broker:
        said = answer(broker, topic, b"x")
    assert said.code < REFUSED if allowed else said.code == NOT_AUTHORIZED


def test_what_is_far_too_large_is_refused_to_its_sender(broker: Mosquitto) -> None:
    limit = PACKET_PER_PAYLOAD * BrokerSettings().max_payload_bytes  # what we ask the broker for, as a client
    daemon = broker.settings(username="monitord", password=PASSWORD)
    with broker:
        peek = SessionPeek(daemon, ["monitord/+/+/reading"])
        fits = answer(broker, "monitord/gw1/p/reading", b" " * (limit - 100))
        too_large = answer(broker, "monitord/gw1/p/reading", b" " * limit)
        after = answer(broker, "monitord/gw1/p/reading", b"after")
        wait_until(lambda: len(peek.messages) >= 2, "what fits came")
        peek.close()
    assert fits.code < REFUSED
    assert fits.most_bytes == limit
    assert too_large.code >= REFUSED  # "packet too large", where the connection lasts until it is read
    assert after.code < REFUSED
    assert [len(message.payload) for message in peek.messages] == [limit - 100, len(b"after")]
