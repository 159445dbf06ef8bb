"""What one message leaves for the next: halves of readings that wait for the other, and what a topic said last."""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta
from typing import NamedTuple

from monitord.ingest.decoding.records import Half, RecordSource, build
from monitord.model.readings import Reading

MAX_WAITING = 10_000
"""Halves that wait, and topics whose last message is known, at most. Our choice."""
_OTHER = {"temperature_c": "relative_humidity_pct", "relative_humidity_pct": "temperature_c"}
_DIGEST_BYTES = 8


class _Waiting(NamedTuple):
    half: Half
    received_at: datetime


class Memory:
    """It lives in memory only: a half that waits when the daemon ends is lost, and the next pair is a reading again.

    Work on a `copy` until the batch is committed, so that a batch that is tried again finds what it found before.
    """

    def __init__(self) -> None:
        self._waiting: dict[tuple[str, str], _Waiting] = {}
        self._said: dict[str, bytes] = {}
        self.unpaired: list[str] = []
        """Probes of which a half found no other half, one entry for each such half."""

    def copy(self) -> Memory:
        """The same, independent of this one, and with nothing unpaired yet."""
        other = Memory()
        other._waiting, other._said = self._waiting.copy(), self._said.copy()
        return other

    def join(self, half: Half, received_at: datetime) -> Reading | None:
        """A reading, with the time of the later half, if the other half is here; else this one waits for it.

        Raises
        ------
        DecodeError : both together are no reading.
        """
        probe = half.values["probe"]
        quantity = next(name for name in _OTHER if name in half.values)
        other = self._waiting.pop((probe, _OTHER[quantity]), None)
        if other is not None:
            within = timedelta(seconds=min(half.within_s, other.half.within_s))
            if abs(half.values["time"] - other.half.values["time"]) <= within:
                earlier, later = sorted((other.half, half), key=lambda item: item.values["time"])
                return build({**earlier.values, **later.values}, RecordSource(received_at))
            self.unpaired.append(probe)
        if self._waiting.pop((probe, quantity), None) is not None:
            self.unpaired.append(probe)
        if len(self._waiting) >= MAX_WAITING:
            self._drop(next(iter(self._waiting)))
        self._waiting[probe, quantity] = _Waiting(half, received_at)
        return None

    def expire(self, now: datetime) -> None:
        """Give up halves that have waited for longer than their rule allows."""
        late = [
            key for key, item in self._waiting.items() if now - item.received_at > timedelta(seconds=item.half.within_s)
        ]
        for key in late:
            self._drop(key)

    def _drop(self, key: tuple[str, str]) -> None:
        del self._waiting[key]
        self.unpaired.append(key[0])

    def repeats(self, topic: str, payload: bytes) -> bool:
        """Whether a topic says the very same as last time; also True the first time, since nobody knows then."""
        digest = hashlib.sha256(payload).digest()[:_DIGEST_BYTES]
        known = self._said.pop(topic, digest)
        if len(self._said) >= MAX_WAITING:
            del self._said[next(iter(self._said))]
        self._said[topic] = digest
        return known == digest
