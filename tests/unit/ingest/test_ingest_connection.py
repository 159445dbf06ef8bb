"""The connection's own decisions: how long it pauses, what it makes of a refusal, and of bytes that are no MQTT."""

from __future__ import annotations

import random
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from brokers import wait_until
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import ValidationError

from monitord.clock import SystemClock
from monitord.errors import ConfigurationError
from monitord.ingest.mqtt.connection import Connection
from monitord.ingest.mqtt.embedded_broker import LOOPBACK
from monitord.ingest.mqtt.link import pause_s
from monitord.model.config.broker import BrokerSettings


def connection(settings: BrokerSettings | None = None) -> Connection:
    return Connection(settings or BrokerSettings(), ["a/#", "b/#"], SystemClock(), lambda _: None, lambda: True)


@given(st.integers(1, 10_000), st.floats(0, 1))
def test_the_pause_stays_under_a_limit_that_doubles_to_a_last_one(failures: int, chance: float) -> None:
    settings = BrokerSettings(reconnect_min_s=0.5, reconnect_max_s=60)
    pause = pause_s(failures, settings, chance)
    assert 0 <= pause <= min(60.0, 0.5 * 2.0 ** min(failures - 1, 10))
    assert pause_s(failures + 1, settings, 1.0) >= pause


def test_the_pause_is_spread_over_the_whole_range() -> None:
    settings = BrokerSettings(reconnect_min_s=1, reconnect_max_s=64)
    assert [pause_s(n, settings, 1.0) for n in (1, 2, 3, 7, 8, 2000)] == [1, 2, 4, 64, 64, 64]
    assert pause_s(7, settings, 0.0) == 0  # "full" jitter: from nothing to the limit


def granted(link: Connection, *codes: int) -> None:
    reasons = [ReasonCode(PacketTypes.SUBACK, identifier=code) for code in codes]
    link._on_subscribe(link._client, None, 1, reasons, None)


# reason codes of MQTT 5.0, 3.9.3: 1 granted QoS 1, 0 granted QoS 0, 0x87 not authorized
def test_a_filter_that_the_broker_refuses_is_named_with_a_remedy() -> None:
    link = connection()
    granted(link, 1, 0x87)
    assert not link.state.connected
    assert link.state.error is not None
    assert "b/#" in link.state.error.what
    assert "a/#" not in link.state.error.what
    assert link.state.error.remedy


def test_a_broker_that_grants_only_qos_0_is_told_of_though_readings_come() -> None:
    link = connection()
    granted(link, 0, 1)
    assert link.state.connected
    assert "QoS 0" in str(link.state.error)


def test_all_granted_is_connected_without_complaint() -> None:
    link = connection()
    granted(link, 1, 1)
    assert (link.state.connected, link.state.error) == (True, None)


def test_certificates_that_can_not_be_read_are_a_configuration_error() -> None:
    with pytest.raises(ConfigurationError, match="tls_ca_file"):
        connection(BrokerSettings(tls=True, tls_ca_file="/nowhere/ca.pem"))


@pytest.mark.parametrize(
    "settings",
    [
        {"receive_maximum": 999, "batch_size": 500},
        {"tls_ca_file": "ca.pem"},
        {"tls": True, "tls_cert_file": "cert.pem"},
        {"reconnect_min_s": 10, "reconnect_max_s": 5},
        {"protocol": "3.1"},
        {"hots": "x"},
    ],
)
def test_settings_that_contradict_each_other_are_refused(settings: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        BrokerSettings.model_validate(settings)


@contextmanager
def server(words: list[bytes]) -> Iterator[int]:
    """Accepts connections, says one of the words to each, and hangs up."""
    listener = socket.create_server((LOOPBACK, 0))

    def serve() -> None:
        for word in words:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            with peer:
                peer.recv(1000)
                peer.sendall(word)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield listener.getsockname()[1]
        thread.join(10)
    finally:
        listener.close()


def test_bytes_that_are_no_mqtt_end_a_connection_and_not_the_thread() -> None:
    noise = random.Random(1)
    hello = b"\x20\x02\x00\x00"  # CONNACK of MQTT 3.1.1, 3.2
    words = [
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        hello + b"\x30\xff\xff\xff\xff\xff",  # a length that has no end
        hello + b"\x32\x03\x00\x09a",  # a topic longer than its packet
        hello + b"\x90\x01\x00",  # an answer that is cut short
        *(hello + noise.randbytes(40) for _ in range(30)),
    ]
    for protocol in ("5", "3.1.1"):
        with server(words) as port:
            settings = BrokerSettings.model_validate(
                {"port": port, "protocol": protocol, "reconnect_min_s": 0.001, "reconnect_max_s": 0.001}
            )
            link = connection(settings)
            thread = threading.Thread(target=link.run)
            thread.start()
        # all has been said, and the door is closed
        wait_until(lambda link=link: "can't reach" in str(link.state.error), "it tries again")  # type: ignore[misc]
        assert thread.is_alive()
        link.close()
        thread.join(5)
        assert not thread.is_alive()
