"""Publishes simulated readings over real MQTT, at their own pace or faster.

python -m simulators.publish --family leak --seed 3 --host 127.0.0.1 --factor 3600
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import numpy as np
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulators.jobs.generate import FAMILIES, generate
from simulators.probes.gateway import Readings
from simulators.truth.records import iso

GATEWAY = "gw1"
_BACKLOG_S = 900
"""A reading that arrives so late is sent in one message with the others of its probe that wait."""
_MAX_IN_ONE = 200
_TIMEOUT_S = 30.0


@dataclass(frozen=True)
class PublishedMessage:
    """One MQTT message and when it is sent."""

    sim_time_s: float
    """Simulated POSIX time."""
    topic: str
    payload: dict[str, Any] | list[dict[str, Any]]

    @property
    def body(self) -> bytes:
        """The payload as JSON."""
        return json.dumps(self.payload, separators=(",", ":")).encode()


def payload_of(readings: Readings, row: int) -> dict[str, Any]:
    """One reading as our own JSON has it."""
    payload: dict[str, Any] = {
        "time": iso(float(readings.time_s[row])),
        "temperature_c": float(readings.temperature_c[row]),
        "relative_humidity_pct": float(readings.relative_humidity_pct[row]),
    }
    for key, values in (
        ("surface_temperature_c", readings.surface_temperature_c),
        ("battery_v", readings.battery_v),
    ):
        if np.isfinite(values[row]):
            payload[key] = float(values[row])
    return payload


def messages(readings: Readings, gateway: str = GATEWAY) -> Iterator[PublishedMessage]:
    """The readings as messages in the order in which they are sent; those of a backlog are packed into lists."""
    packs: dict[int, list[int]] = {}
    for row in range(len(readings)):
        probe, received = int(readings.probe[row]), float(readings.received_s[row])
        late = received - readings.time_s[row] > _BACKLOG_S
        pack = packs.get(probe, [])
        if pack and (not late or len(pack) >= _MAX_IN_ONE or received - readings.received_s[pack[0]] > _BACKLOG_S):
            yield _packed(readings, packs.pop(probe), gateway)
        if late:
            packs.setdefault(probe, []).append(row)
        else:
            yield PublishedMessage(received, _topic(readings, probe, gateway), payload_of(readings, row))
    for pack in packs.values():
        yield _packed(readings, pack, gateway)


def _topic(readings: Readings, probe: int, gateway: str) -> str:
    return f"monitord/{gateway}/{readings.probes[probe]}/reading"


def _packed(readings: Readings, rows: list[int], gateway: str) -> PublishedMessage:
    return PublishedMessage(
        float(readings.received_s[rows[-1]]),
        _topic(readings, int(readings.probe[rows[0]]), gateway),
        [payload_of(readings, row) for row in rows],
    )


class Publisher:
    """A client that publishes at QoS 1 and waits until the broker has taken each message, or the last ones.

    Raises
    ------
    ConnectionError : the broker can't be reached, or does not take a message in time.
    """

    def __init__(
        self, host: str, port: int, client_id: str = "monitord-simulator", username: str = "", password: str = ""
    ) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv311)
        if username:
            self._client.username_pw_set(username, password)
        self._client.max_queued_messages_set(0)
        self._host, self._port = host, port
        self._last: mqtt.MQTTMessageInfo | None = None

    def __enter__(self) -> Self:
        try:
            self._client.connect(self._host, self._port)
        except OSError as error:
            raise ConnectionError(f"no broker at {self._host}:{self._port}: {error}") from error
        self._client.loop_start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self.flush()
        finally:
            self._client.disconnect()
            self._client.loop_stop()

    def send(self, topic: str, body: bytes) -> None:
        """Hand a message over; the broker's word for it is waited for in `flush`."""
        self._last = self._client.publish(topic, body, qos=1)

    def flush(self) -> None:
        """Wait until the broker has taken all that was sent."""
        if self._last is None:
            return
        self._last.wait_for_publish(_TIMEOUT_S)
        if not self._last.is_published():
            raise ConnectionError(f"the broker at {self._host}:{self._port} took no message for {_TIMEOUT_S:g} s")


def accelerated(start_s: float, factor: float) -> Callable[[float], None]:
    """Waits for simulated times that begin at `start_s` now and run `factor` times as fast as real time."""
    began = time.monotonic()

    def wait_until(sim_time_s: float) -> None:
        time.sleep(max((sim_time_s - start_s) / factor - (time.monotonic() - began), 0.0))

    return wait_until


def play(stream: Iterable[PublishedMessage], publisher: Publisher, wait_until: Callable[[float], None]) -> int:
    """Publish messages when their time comes; returns how many."""
    count = 0
    for message in stream:
        wait_until(message.sim_time_s)
        publisher.send(message.topic, message.body)
        count += 1
    publisher.flush()
    return count


def main() -> None:
    """Publish one simulated job; its times are the simulated ones, so the daemon's clock must be too."""
    parser = argparse.ArgumentParser(prog="python -m simulators.publish", description=main.__doc__)
    parser.add_argument("--family", choices=sorted(FAMILIES), required=True)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--factor", type=float, default=3600.0, help="simulated seconds in one real second")
    arguments = parser.parse_args()
    made = generate(arguments.family, arguments.seed)
    with Publisher(arguments.host, arguments.port) as publisher:
        wait = accelerated(made.truth.start_s, arguments.factor)
        count = play(messages(made.readings), publisher, wait)
    print(f"{count} messages published")


if __name__ == "__main__":
    main()
