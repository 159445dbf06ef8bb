"""Real brokers for tests, and a publisher that knows what the broker has taken."""

from __future__ import annotations

import getpass
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitord.ingest.mqtt.embedded_broker import LOOPBACK, free_port
from monitord.model.config.broker import BrokerSettings

WINDOW = 2000
"""Messages in flight: at least twice the batch."""


class Mosquitto:
    """A mosquitto on a free port of loopback, with the settings that keep data over a kill of the broker.

    Parameters
    ----------
    save_every : changes after which it writes what it holds to disk, all of it: with 1 and some thousand messages
        waiting it takes in no more than 150 a second. A test that does not kill the broker may ask for more.
    """

    def __init__(
        self,
        folder: Path,
        *,
        window: int = WINDOW,
        save_every: int = 1,
        extra: Iterable[str] = (),
        port: int = 0,
    ) -> None:
        self.port = port or free_port()
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        lines = [
            f"user {getpass.getuser()}",  # started by root, it would become another user and could write nothing here
            f"listener {self.port} {LOOPBACK}",
            "persistence true",
            f"persistence_location {folder}/",
            "autosave_on_changes true",
            f"autosave_interval {save_every}",
            "max_queued_messages 0",
            f"max_inflight_messages {window}",
            "log_type error",
            "log_type warning",
            f"log_dest file {folder}/mosquitto.log",
            *(extra or ["allow_anonymous true"]),
        ]
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    @staticmethod
    def program() -> str:
        """Where mosquitto is; a test that needs it fails without it."""
        found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        assert found, "this test needs a real broker: install mosquitto (Debian: apt-get install mosquitto)"
        return found

    def start(self) -> Self:
        """Start it, also again on what it kept; returns when it accepts connections."""
        self._process = subprocess.Popen([self.program(), "-c", str(self._folder / "mosquitto.conf")])
        wait_until(self._listens, "mosquitto listens")
        return self

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"mosquitto ended: {(self._folder / 'mosquitto.log').read_text()}"
        with socket.socket() as sock:
            sock.settimeout(0.5)
            return sock.connect_ex((LOOPBACK, self.port)) == 0

    def kill(self) -> None:
        """End it without warning."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it as a service is ended."""
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def settings(self, protocol: str = "5", **changes: Any) -> BrokerSettings:
        """What a consumer needs to use it."""
        values = {"host": LOOPBACK, "port": self.port, "protocol": protocol, "reconnect_max_s": 1.0, **changes}
        return BrokerSettings.model_validate(values)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()


def wait_until(condition: Callable[[], bool], what: str, timeout: float = 30.0) -> None:
    """Ask again and again until it holds; fail after a time. The one place where a test pauses, between two looks."""
    deadline = time.monotonic() + timeout
    while not condition():
        assert time.monotonic() < deadline, f"not within {timeout:g} s: {what}"
        time.sleep(0.02)


class Publisher:
    """Publishes with QoS 1; knows what the broker has acknowledged."""

    def __init__(self, port: int, client_id: str = "gateway", **sign_in: str) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.max_inflight_messages_set(WINDOW)
        if sign_in:
            self._client.username_pw_set(**sign_in)
        self._client.connect(LOOPBACK, port)
        self._client.loop_start()

    def publish(self, messages: Iterable[tuple[str, bytes]], *, qos: int = 1, retain: bool = False) -> None:
        """Publish in order, and return when the broker has acknowledged all."""
        infos = [self._client.publish(topic, payload, qos, retain) for topic, payload in messages]
        for info in infos:
            info.wait_for_publish(60)
            assert info.is_published(), "the broker has not acknowledged within 60 s"

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def publish(port: int, messages: Iterable[tuple[str, bytes]], **how: Any) -> None:
    """Publish with a client of its own."""
    with Publisher(port) as publisher:
        publisher.publish(messages, **how)


class SessionPeek:
    """A plain client that takes over a persistent session and shows what the broker still holds for it."""

    def __init__(self, settings: BrokerSettings, filters: Iterable[str] = ()) -> None:
        self.messages: list[MQTTMessage] = []
        five = settings.protocol == "5"
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=MQTTv5 if five else MQTTv311,
            clean_session=None if five else False,
        )
        if settings.username is not None and settings.password is not None:
            self._client.username_pw_set(settings.username, settings.password.get_secret_value())
        self._client.on_message = lambda _client, _data, message: self.messages.append(message)
        subscribed = []
        self._client.on_subscribe = lambda *_: subscribed.append(True)
        if five:
            properties = Properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 3600
            properties.ReceiveMaximum = WINDOW
            self._client.connect(LOOPBACK, settings.port, clean_start=False, properties=properties)
        else:
            self._client.connect(LOOPBACK, settings.port)
        self._client.loop_start()
        for name in filters:
            self._client.subscribe(name, 1)
        wait_until(lambda: len(subscribed) == len(list(filters)), "subscribed")

    def wait_for_all(self) -> None:
        """Return once it has everything that the broker held.

        On one connection the broker answers in order: what it held and could send lies before its answer to a message
        of ours, and it can send all once a turn brings nothing new that had to be acknowledged first.
        """
        before = -1
        while len(self.messages) > before:
            before = len(self.messages)
            asked = self._client.publish("nobody/reads/this", b"", 1)
            asked.wait_for_publish(60)
            assert asked.is_published(), "the broker has not answered within 60 s"

    def close(self) -> None:
        """Leave the session as it is."""
        self._client.disconnect()
        self._client.loop_stop()


def open_connections(port: int) -> int:
    """TCP connections to a port of this machine that its listener has not closed yet (Linux)."""
    rows = (line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:])
    # state 01 is ESTABLISHED; 08 is CLOSE_WAIT: the other side has gone, and what it sent is still to be read
    return sum(row[1].endswith(f":{port:04X}") and row[3] in {"01", "08"} for row in rows)


def left_in_session(settings: BrokerSettings) -> int:
    """How many messages a broker still holds for a session, once everyone has left and it has read their last words."""
    wait_until(lambda: open_connections(settings.port) == 0, "the broker has read everything")
    peek = SessionPeek(settings)
    peek.wait_for_all()
    peek.close()
    return len(peek.messages)
