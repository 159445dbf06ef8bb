"""Sparkplug B payloads (Eclipse Sparkplug 3.0, 6.4 and appendix: sparkplug_b.proto): metrics with their times.

Only what a reading needs is read: the payload's time, and of each metric its name, time and value. A metric that is
named by its alias alone can't be told, since which name an alias stands for was in a birth message long ago.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any

from monitord.errors import DecodeError

_VARINT, _FIXED64, _BYTES, _FIXED32 = 0, 1, 2, 5
"""Wire types of Protocol Buffers."""
_MAX_VARINT = 10
_SIGNED = {1: 8, 2: 16, 3: 32, 4: 64}
"""Bits of the signed data types Int8 to Int64, which travel as unsigned numbers."""
MAX_METRICS = 5000
"""Metrics of one payload at most, as readings of one message."""
MAX_FIELDS = 2 * MAX_METRICS
"""Fields of one message of Protocol Buffers at most. Our choice: a payload has four beside its metrics."""


def decode(payload: bytes) -> dict[str, Any]:
    """Read a payload as {timestamp, metrics: [{name, timestamp, value}], values: {name: value}}.

    Raises
    ------
    DecodeError : `not_sparkplug`, or `too_many_records`.
    """
    try:
        return _payload(payload)
    except (ValueError, struct.error, UnicodeDecodeError) as error:
        raise DecodeError(
            "not_sparkplug",
            "the payload is not one of Sparkplug B",
            why=str(error)[:200],
            remedy="Check the encoding of the rule; STATE messages of a host are JSON and need a rule of their own",
        ) from None


def _payload(payload: bytes) -> dict[str, Any]:
    timestamp: int | None = None
    metrics: list[dict[str, Any]] = []
    for number, value in _fields(payload):
        if number == 1 and isinstance(value, int):
            timestamp = value
        elif number == 2 and isinstance(value, bytes):
            if len(metrics) >= MAX_METRICS:
                raise DecodeError("too_many_records", f"more than {MAX_METRICS:,} metrics in one message")
            metrics.append(_metric(value))
    values = {metric["name"]: metric["value"] for metric in metrics if metric["name"] is not None}
    return {"timestamp": timestamp, "metrics": metrics, "values": values}


def _metric(data: bytes) -> dict[str, Any]:
    name, timestamp, datatype = None, None, None
    value: bool | int | float | str | None = None
    null = False
    for number, found in _fields(data):
        match number, found:
            case 1, bytes():
                name = found.decode()
            case 3, int():
                timestamp = found
            case 4, int():
                datatype = found
            case 7, int():
                null = bool(found)
            case 10 | 11, int():
                value = found
            case 12, bytes():
                value = struct.unpack("<f", found)[0]
            case 13, bytes():
                value = struct.unpack("<d", found)[0]
            case 14, int():
                value = bool(found)
            case 15, bytes():
                value = found.decode()
    bits = _SIGNED.get(datatype or 0)
    if bits is not None and isinstance(value, int) and value >= 1 << (bits - 1):
        value -= 1 << max(bits, 32 if value < 1 << 32 else 64)
    return {"name": name, "timestamp": timestamp, "value": None if null else value}


def _fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    at = count = 0
    while at < len(data):
        count += 1
        if count > MAX_FIELDS:
            raise ValueError(f"more than {MAX_FIELDS:,} fields")
        key, at = _varint(data, at)
        number, kind = key >> 3, key & 7
        if kind == _VARINT:
            value, at = _varint(data, at)
            yield number, value
            continue
        if kind == _BYTES:
            size, at = _varint(data, at)
        elif kind in (_FIXED64, _FIXED32):
            size = 8 if kind == _FIXED64 else 4
        else:
            raise ValueError(f"wire type {kind} is not used")
        if at + size > len(data):
            raise ValueError("a field goes beyond the end")
        yield number, data[at : at + size]
        at += size


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for i in range(_MAX_VARINT):
        if at + i >= len(data):
            raise ValueError("it ends within a number")
        value |= (data[at + i] & 0x7F) << (7 * i)
        if data[at + i] < 0x80:
            return value & (1 << 64) - 1, at + i + 1
    raise ValueError("a number of more than ten bytes")
