"""Messages taken out of what was read ahead are those that the client library itself finds, in order."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import Any, NamedTuple

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import Client, MQTTMessage, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from monitord.ingest.mqtt.client import ReadingAheadClient, new_client
from monitord.ingest.mqtt.read_ahead import PIECE, ReadAhead
from monitord.model.config.broker import BrokerSettings

HELLO = {True: b"\x20\x03\x00\x00\x00", False: b"\x20\x02\x00\x00"}
"""CONNACK: MQTT 5.0, 3.2; MQTT 3.1.1, 3.2."""
PING = b"\xd0\x00"
"""PINGRESP, 3.13."""


class Wire:
    """A connected socket that hears the given pieces, nothing after each, and at last that it was closed."""

    def __init__(self, pieces: list[bytes]) -> None:
        self._pieces: Iterator[bytes] = iter(pieces)
        self._now: bytes | None = None
        self.over = False
        self.reads = 0
        self.takes = 1000
        self.written: list[bytes] = []

    def recv(self, size: int) -> bytes:
        self.reads += 1
        if not self._now:
            if self._now is None:
                self._now = next(self._pieces, None)
            else:
                self._now = None
                raise BlockingIOError
            if self._now is None:
                self.over = True
                return b""
        said, self._now = self._now[:size], self._now[size:]
        return said

    def send(self, data: bytes) -> int:
        self.written.append(bytes(data[: self.takes]))
        return len(self.written[-1])

    def setblocking(self, flag: bool) -> None:
        pass

    def fileno(self) -> int:
        return 0

    def close(self) -> None:
        self.over = True


class Plain(Client):
    """The library's own client on such a wire."""

    wire: Wire

    def _create_socket(self) -> Any:
        return self.wire


class Ahead(ReadingAheadClient):
    """Ours: what it overrides calls upon the library's."""

    def _create_socket(self) -> Any:
        return ReadAhead(self.wire, five=self.protocol == MQTTv5)  # type: ignore[arg-type]

    wire: Wire


Seen = tuple[bytes, bytes, int, bool]


def heard(kind: type[Plain | Ahead], five: bool, pieces: list[bytes]) -> tuple[list[Seen | None], list[str], int]:
    """The messages that come, how the connection ended, and how often the wire was asked."""
    client = kind(CallbackAPIVersion.VERSION2, client_id="a", protocol=MQTTv5 if five else MQTTv311, manual_ack=True)
    client.wire = Wire(pieces)
    seen: list[Seen | None] = []
    ended: list[str] = []

    def on_message(_client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic.encode()
        except UnicodeDecodeError:
            seen.append(None)
            return
        seen.append((topic, bytes(message.payload), message.mid if message.qos else 0, message.retain))

    client.on_message = on_message
    client.on_disconnect = lambda _client, _data, _flags, reason, _properties: ended.append(str(reason))
    client.connect_async("nowhere")
    client.reconnect()
    while client.socket() is not None and not client.wire.over:
        if client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS and isinstance(client, Ahead):
            while taken := client.messages(3):
                seen += [((m.topic or "").encode(), bytes(m.payload), m.mid or 0, m.retain) for m in taken]
    return seen, ended, client.wire.reads


class Said(NamedTuple):
    topic: bytes
    payload: bytes
    qos: int
    mid: int
    flags: int
    properties: bytes


def length(number: int) -> bytes:
    """A variable byte integer (MQTT 5.0, 1.5.5)."""
    digits = bytearray()
    while number >= 128:
        digits.append(number % 128 | 128)
        number //= 128
    return bytes([*digits, number])


def publish(said: Said, five: bool) -> bytes:
    """A PUBLISH packet (MQTT 5.0, 3.3; 3.1.1, 3.3)."""
    body = len(said.topic).to_bytes(2, "big") + said.topic
    body += said.mid.to_bytes(2, "big") if said.qos else b""
    body += length(len(said.properties)) + said.properties if five else b""
    body += said.payload
    return bytes([0x30 | said.flags & 0b1001 | said.qos << 1]) + length(len(body)) + body


# content type "x"; a user property "a": "b"; a message expiry of 1 s (MQTT 5.0, 2.2.2.2)
PROPERTIES = [b"", b"\x03\x00\x01x", b"\x26\x00\x01a\x00\x01b", b"\x02\x00\x00\x00\x01", b"\x26\x00\x01a\x00\x01b" * 30]
messages = st.builds(
    Said,
    st.sampled_from([b"a", b"b/\xc3\xbc", b"monitord/attic/p1/reading", b"\xff/not/utf-8", b"t" * 200]),
    st.one_of(st.binary(max_size=40), st.integers(100, 20_000).map(bytes)),
    st.sampled_from([0, 1]),
    st.integers(1, 65_535),
    st.integers(0, 15),
    st.sampled_from(PROPERTIES),
)


@given(st.booleans(), st.lists(st.one_of(messages, st.just(None)), max_size=12), st.lists(st.integers(1, 400)))
@example(True, [Said(b"a", b"", 1, 1, 0, b"")] * 9, [])
@example(False, [Said(b"a", bytes(20_000), 1, 1, 0, b"")], [1] * 40)
@example(True, [Said(b"a", bytes(size), 1, 1, 0, b"") for size in (9, 200_000, 9, 70_000, 9)], [70_000, 3, 150_000])
def test_the_same_messages_are_found_as_by_the_library_however_they_are_cut(
    five: bool, said: list[Said | None], cuts: list[int]
) -> None:
    stream = HELLO[five] + b"".join(PING if one is None else publish(one, five) for one in said)
    pieces, at = [], 0
    for size in chain(cuts, [len(stream)]):
        pieces.append(stream[at : at + size])
        at += size
    pieces = [piece for piece in pieces if piece]
    expected, ended, reads = heard(Plain, five, pieces)
    found, ended_too, fewer = heard(Ahead, five, pieces)
    assert (found, ended_too) == (expected, ended)
    assert len(expected) == sum(one is not None for one in said)
    assert fewer <= reads


@pytest.mark.parametrize("five", [True, False])
@pytest.mark.parametrize(
    "wrong",
    [
        b"\x30\xff\xff\xff\xff\xff",  # a length without an end
        b"\x32\x03\x00\x09a",  # a topic longer than its packet
        b"\x32\x03\x00\x01a",  # no packet identifier
        b"\x36\x05\x00\x01a\x00\x01",  # QoS 3
        b"\x30\x00",  # nothing in it
        b"\x30\x04\x00\x01a\xff",  # properties without an end
        b"\x30\x04\x00\x01a\x09",  # properties longer than the packet
        b"\xf0\x00",  # no packet of this name
    ],
)
def test_what_is_wrong_ends_the_connection_as_it_does_with_the_library(five: bool, wrong: bytes) -> None:
    good = publish(Said(b"a", b"1", 1, 7, 0, b""), five)
    for pieces in ([HELLO[five] + good + good + wrong + good], [HELLO[five] + good + good + wrong]):
        assert heard(Ahead, five, pieces)[:2] == heard(Plain, five, pieces)[:2]


def test_a_backlog_is_read_in_pieces_and_not_packet_by_packet() -> None:
    pieces = [HELLO[True], publish(Said(b"a", b"1", 1, 7, 0, b""), True) * 500]
    messages, _, reads = heard(Ahead, True, pieces)
    assert len(messages) == 500
    assert reads < 10


def test_nothing_is_taken_out_of_a_packet_that_the_client_is_reading() -> None:
    packet = publish(Said(b"a", b"12345", 1, 7, 0, b""), True)
    ahead = ReadAhead(Wire([packet + packet]), five=True)  # type: ignore[arg-type]
    assert ahead.recv(1) == packet[:1]
    assert (ahead.messages(9), ahead.pending()) == ([], len(packet) - 1)
    assert ahead.recv(100) == packet[1:]
    assert ahead.pending() == len(packet)
    assert [(m.topic, m.payload, m.mid) for m in ahead.messages(9)] == [("a", b"12345", 7)]
    assert ahead.pending() == 0


def test_a_packet_larger_than_a_piece_is_handed_on_as_it_comes_and_held_once() -> None:
    packet, after = (publish(Said(b"a", bytes(size), 1, 7, 0, b""), True) for size in (5 * PIECE, 5))
    stream, step = packet + after, 10_000
    ahead = ReadAhead(Wire([stream[at : at + step] for at in range(0, len(stream), step)]), five=True)  # type: ignore[arg-type]
    came, waits = bytearray(), 0
    while len(came) < len(packet):
        try:
            came += ahead.recv(len(packet) - len(came))
        except BlockingIOError:
            waits += 1
            assert (ahead.pending(), ahead.messages(9)) == (0, [])
            assert waits * step - len(came) <= 0, "all that came is handed on"
    assert bytes(came) == packet
    assert waits == len(packet) // step
    assert [m.payload for m in ahead.messages(9)] == [bytes(5)]


def test_acknowledgements_are_written_together_and_whole() -> None:
    client = Ahead(CallbackAPIVersion.VERSION2, client_id="a", protocol=MQTTv5, manual_ack=True)
    client.on_socket_register_write = lambda *_: None
    client.wire = Wire([HELLO[True]])
    client.connect_async("nowhere")
    client.reconnect()
    client.loop_write()
    client.wire.written.clear()
    client.wire.takes = 5  # bytes at a time
    client.acknowledge([1, 0x1234, 65_535])
    while client.want_write():
        client.loop_write()
    # PUBACK: MQTT 5.0, 3.4
    assert b"".join(client.wire.written) == bytes.fromhex("40020001400212344002ffff")
    assert len(client.wire.written) == 3
    client.acknowledge([])
    assert not client.want_write()


def test_what_is_used_of_the_library_without_being_public_is_still_there() -> None:
    assert {"_create_socket", "_packet_queue"} <= vars(Client).keys()
    assert isinstance(new_client(BrokerSettings(), lasting=True), ReadingAheadClient)
    assert "_create_socket" in vars(ReadingAheadClient)
