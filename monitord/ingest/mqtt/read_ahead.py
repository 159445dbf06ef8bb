"""Bytes from the broker in large pieces, and whole messages out of them in one go.

The client library asks the system for each packet three times (a byte, the length's bytes, the rest) and spends 20 to
34 us of processor time on a message; taken out here, one costs 5 to 7. It is handed whole packets, and those that
are larger than a piece as they come: so they are held once, and its keepalive sees that bytes come over a slow line.
While it stands inside a packet, no message is taken out past it.
"""

from __future__ import annotations

import socket
from typing import NamedTuple

PIECE = 65_536
"""Asked of the system at a time; not twice as much is held. [bytes]"""
_PUBLISH = 0x30
"""Upper half of the first byte of a message (MQTT 5.0, 2.1.2); the same in 3.1.1."""
_QOS = 0x06
_QOS_2 = 0x04
_RETAIN = 0x01
_LENGTH_BYTES = 4
"""Bytes of a length at most (MQTT 5.0, 1.5.5)."""


class Published(NamedTuple):
    """A message as it stands in its packet."""

    topic: str | None
    """None: it is not UTF-8, as the client found."""
    payload: bytes | bytearray
    mid: int | None
    """Its packet identifier; None: sent with QoS 0."""
    retain: bool


class ReadAhead:
    """A connected socket, read ahead.

    Parameters
    ----------
    sock : a plain socket, or one with TLS.
    five : whether packets are those of MQTT 5, whose messages carry properties.
    """

    def __init__(self, sock: socket.socket, *, five: bool) -> None:
        self._sock = sock
        self._five = five
        self._decrypted = getattr(sock, "pending", None)
        self._buffer = bytearray()
        self._at = 0
        """Where in the buffer the next byte to be handed out stands."""
        self._end = 0
        """Where the packet ends that the client is reading, maybe behind all that is here; not after `_at`: it reads
        none."""

    def fileno(self) -> int:
        """Of the socket."""
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        """As the socket's."""
        self._sock.setblocking(flag)

    def close(self) -> None:
        """Close the socket; what was read ahead is forgotten, and the broker sends it again."""
        self._sock.close()

    def send(self, data: bytes) -> int:
        """As the socket's."""
        return self._sock.send(data)

    def pending(self) -> int:
        """Bytes that no selector sees: of a packet that `recv` hands out, or what TLS has decrypted."""
        end = self._end if self._at < self._end else self._ready(self._at)
        ready = max(0, min(end, len(self._buffer)) - self._at)
        return ready if ready or self._decrypted is None else self._decrypted()

    def recv(self, size: int) -> bytes:
        """Bytes of one packet, of one that fits into a piece only when all of it is here; none: the broker has closed
        the connection.

        Raises
        ------
        BlockingIOError : nothing is ready yet; with TLS `ssl.SSLWantReadError` as well.
        """
        if self._at >= self._end:
            if not self._ready(self._at) and not self._fill():
                return b""
            self._end = self._ready(self._at)
            if not self._end:
                raise BlockingIOError
        elif self._at >= len(self._buffer) and not self._fill():
            return b""
        start = self._at
        self._at = min(start + size, self._end, len(self._buffer))
        return bytes(self._buffer[start : self._at])

    def messages(self, count: int) -> list[Published]:
        """Messages of QoS 0 and 1 that are whole and next, at most so many; whatever else comes is the client's."""
        found: list[Published] = []
        buffer, at = self._buffer, self._at
        if at < self._end:
            return found  # the client is inside a packet
        while len(found) < count and (end := self._whole(at)):
            message = self._message(buffer, at, end)
            if message is None:
                break
            found.append(message)
            at = end
        self._at = at
        return found

    def _fill(self) -> bool:
        """Read from the socket what is there. False: it has been closed at the other end."""
        piece = self._sock.recv(PIECE)
        del self._buffer[: self._at]
        self._buffer += piece
        self._at, self._end = 0, max(0, self._end - self._at)
        return bool(piece)

    def _ready(self, at: int) -> int:
        """Where the packet ends that begins at a place, if it can be handed out; else 0."""
        end = self._ends(at)
        return end if end <= len(self._buffer) or end - at > PIECE else 0

    def _whole(self, at: int) -> int:
        """Where the packet ends that begins at a place, if all of it is here; else 0."""
        end = self._ends(at)
        return end if end <= len(self._buffer) else 0

    def _ends(self, at: int) -> int:
        """Where the packet ends that begins at a place, if all of its length is here; else 0.

        A length that has no end ends itself: the client finds that it is none.
        """
        buffer, length, shift = self._buffer, 0, 0
        for place in range(at + 1, min(at + 1 + _LENGTH_BYTES, len(buffer))):
            byte = buffer[place]
            length |= (byte & 0x7F) << shift
            if byte < 0x80:
                return place + 1 + length
            shift += 7
        return at + 2 + _LENGTH_BYTES if len(buffer) >= at + 2 + _LENGTH_BYTES else 0

    def _message(self, buffer: bytearray, at: int, end: int) -> Published | None:
        """The message in a packet; None where it is none, or not as it should be: the client says what is wrong."""
        kind = buffer[at]
        qos = kind & _QOS
        if kind & 0xF0 != _PUBLISH or qos >= _QOS_2:
            return None
        start = at + 2
        while start < end and buffer[start - 1] >= 0x80:
            start += 1
        topic_at = start + 2
        if topic_at > end:
            return None
        rest = topic_at + (buffer[start] << 8 | buffer[start + 1])
        try:
            topic = buffer[topic_at:rest].decode()
        except UnicodeDecodeError:
            return None
        mid = None
        if qos:
            mid_at, rest = rest, rest + 2
            if rest > end:
                return None
            mid = buffer[mid_at] << 8 | buffer[mid_at + 1]
        if self._five:
            rest = _past_properties(buffer, rest, end)
        if not topic or mid == 0 or not topic_at < rest <= end:
            return None
        return Published(topic, buffer[rest:end], mid, bool(kind & _RETAIN))


def _past_properties(buffer: bytearray, at: int, end: int) -> int:
    """Where the properties of a message end, none of which says anything about a reading; after `end`: they don't."""
    length = shift = 0
    for place in range(at, min(at + _LENGTH_BYTES, end)):
        byte = buffer[place]
        length |= (byte & 0x7F) << shift
        if byte < 0x80:
            return place + 1 + length
        shift += 7
    return end + 1
