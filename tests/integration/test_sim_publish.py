"""Simulated readings go over real MQTT, and arrive whole."""

from __future__ import annotations

import json
import threading
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker, free_port
from simulators.probes.gateway import Readings
from simulators.publish import Publisher, accelerated, messages, play


def _readings() -> Readings:
    """Two probes; the second's readings of one hour come as a backlog."""
    time_s = np.repeat(1_750_000_000 + 600 * np.arange(30), 2)
    probe = np.tile([0, 1], 30)
    late = (probe == 1) & (time_s >= time_s[20]) & (time_s < time_s[40])
    received = np.where(late, time_s[40] + 5, time_s + 2)
    order = np.argsort(received, kind="stable")
    n = len(time_s)
    return Readings(
        ("a", "b"), probe[order], time_s[order], np.full(n, 20.5), np.linspace(40, 50, n)[order],
        np.where(probe[order] == 0, 12.5, np.nan), np.full(n, 3.0), received[order],
    )  # fmt: skip


def test_a_backlog_is_one_list_and_every_reading_is_sent_once() -> None:
    readings = _readings()
    stream = list(messages(readings, "gw"))
    lists = [m for m in stream if isinstance(m.payload, list)]
    assert [len(m.payload) for m in lists] == [9]  # the tenth is less than a quarter of an hour late
    sent = sum(len(m.payload) if isinstance(m.payload, list) else 1 for m in stream)
    assert sent == len(readings)


def test_a_surface_is_told_only_where_there_is_one() -> None:
    for message in messages(_readings(), "gw"):
        first: dict[str, Any] = message.payload[0] if isinstance(message.payload, list) else message.payload
        assert ("surface_temperature_c" in first) == message.topic.endswith("/a/reading")


def test_published_messages_arrive_in_order_at_qos_1() -> None:
    readings = _readings()
    expected = [(m.topic, m.body) for m in messages(readings, "gw")]
    heard: list[tuple[str, bytes]] = []
    all_heard, subscribed = threading.Event(), threading.Event()
    with EmbeddedBroker() as broker:
        listener = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener", protocol=mqtt.MQTTv311)

        def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
            heard.append((message.topic, message.payload))
            if len(heard) == len(expected):
                all_heard.set()

        listener.on_message = on_message
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.connect("127.0.0.1", broker.port)
        listener.loop_start()
        listener.subscribe("monitord/#", qos=1)
        assert subscribed.wait(10)
        with Publisher("127.0.0.1", broker.port) as publisher:
            count = play(messages(readings, "gw"), publisher, lambda _: None)
        assert all_heard.wait(10)
        listener.disconnect()
        listener.loop_stop()
    assert count == len(expected)
    assert heard == expected
    assert all(json.loads(body) for _, body in heard)


def test_without_a_broker_the_publisher_says_so() -> None:
    port = free_port()
    with pytest.raises(ConnectionError, match=f"no broker at 127.0.0.1:{port}"), Publisher("127.0.0.1", port):
        pass


def test_accelerated_time_runs_by_its_factor(monkeypatch: pytest.MonkeyPatch) -> None:
    waited: list[float] = []
    monkeypatch.setattr("simulators.publish.time", SimpleNamespace(monotonic=lambda: 5.0, sleep=waited.append))
    wait_until = accelerated(1000.0, 10_000.0)
    wait_until(3000.0)
    wait_until(1000.0)  # in the past: no wait
    assert waited == [0.2, 0.0]
