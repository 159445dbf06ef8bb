"""Messages to the writer, in a process of its own: how much memory and work each took, as JSON on standard output.

The peak is the kernel's (VmHWM): Python's own tracing does not see what the compiled decoders hold. Work is counted in
calls, Python's and built-in ones, so that the bound does not hang on the machine's speed.
"""

from __future__ import annotations

import ctypes
import gc
import json
import re
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cbor2

from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.model.config.broker import TopicRule
from monitord.store.db.database import Database
from monitord.store.quarantine import list_held

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
MIB = 2**20
JSON, SENML, CBOR, FORECAST, MAPPED = (
    "monitord/g/p/reading", "monitord/g/p/senml", "monitord/g/p/senml-cbor", "monitord/j/outdoor-forecast", "up/p"
)  # fmt: skip
RULE = {
    "pattern": "up/{probe}",
    "format": "mapped-json",
    "mapping": {"records": "@", "time_format": "arrival", "temperature_c": {"path": "t"}}
    | {"relative_humidity_pct": {"path": "h"}},
}


def filled(unit: bytes, size: int = MIB - 64, before: bytes = b"[", after: bytes = b"]") -> bytes:
    """A payload of at most a size, made of one unit again and again."""
    return before + unit * ((size - len(before) - len(after)) // len(unit) - 1) + unit.rstrip(b",") + after


def backlog(count: int) -> bytes:
    """Good readings, a minute apart."""
    times = (f"2025-02-{1 + i // 1440:02}T{i // 60 % 24:02}:{i % 60:02}:00Z" for i in range(count))
    return (
        b"[%s]"
        % ",".join(
            f'{{"time":"{t}","temperature_c":18.2,"relative_humidity_pct":61.4,"battery_v":3.05}}' for t in times
        ).encode()
    )


def keys_alike() -> bytes:
    """One record whose many keys are nearly alike to ours."""
    good = b'{"time":"2025-03-01T10:00:00Z","temperature_c":18.2,"relative_humidity_pct":61.4'
    keys = b"".join(b',"xemperatur_%05d":1' % i for i in range(45_000))
    return good + keys + b"}"


def shared(depth: int = 40) -> bytes:
    """Lists that hold the same list twice, again and again (CBOR tags 28 and 29): written out, it never ends."""
    value: list[Any] = []
    for _ in range(depth):
        value = [value, value]
    return cbor2.dumps([{2: value}], value_sharing=True)


POISONS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "five_megabytes_of_bad_records": (JSON, lambda: filled(b"{},", 5 * MIB)),
    "bad_records": (JSON, lambda: filled(b"{},")),
    "empty_lists": (JSON, lambda: filled(b"[],")),
    "bad_records_as_many_as_allowed": (JSON, lambda: b"[" + b",".join([b'{"time": 1, "x": [1, 2]}'] * 5000) + b"]"),
    "records_without_time_as_many_as_allowed": (
        JSON,
        lambda: b"[" + b",".join([b'{"time":"now","temperature_c":18.2,"relative_humidity_pct":61.4}'] * 5000) + b"]",
    ),
    "good_readings_as_many_as_allowed": (JSON, lambda: backlog(5000)),
    "keys_alike": (JSON, keys_alike),
    "nested": (JSON, lambda: b"[" * MIB),
    "senml_records": (SENML, lambda: filled(b'{"n":"x","u":"Cel","v":1},')),
    "senml_records_as_many_as_allowed": (
        SENML,
        lambda: b'[{"bt":1740823200},' + b",".join(b'{"t":%d,"u":"Cel","v":1}' % i for i in range(9_999)) + b"]",
    ),
    "senml_long_base_name": (
        SENML,
        lambda: filled(b'{"u":"Cel","v":1,"t":%19d},' % 0, MIB // 2, b'[{"bn":"' + b"n" * (MIB // 2 - 64) + b'"},'),
    ),
    "cbor_shared": (CBOR, shared),
    "cbor_huge_integer": (CBOR, lambda: cbor2.dumps([{-3: 1 << (8 * (MIB - 64))}])),
    "cbor_length_of_an_array_that_does_not_come": (CBOR, lambda: b"\x9a\xff\xff\xff\xff"),
    "forecast_hours": (
        FORECAST,
        lambda: filled(b"{},", 2**18, b'{"issued_at":"2025-03-01T10:00:00Z","hours":[', b"]}"),
    ),
    "mapped_records": (MAPPED, lambda: filled(b"{},")),
    "mapped_records_as_many_as_allowed": (MAPPED, lambda: b"[" + b",".join([b'{"t":[]}'] * 5000) + b"]"),
}


def status(key: str) -> int:
    """A figure of this process's memory, in bytes."""
    found = re.search(rf"^{key}:\s+(\d+) kB", Path("/proc/self/status").read_text(), re.MULTILINE)
    assert found
    return int(found[1]) * 1024


class Counter:
    """Counts calls, Python's and built-in ones."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self, _frame: object, event: str, _arg: object) -> None:
        self.calls += event in ("call", "c_call")


def one(writer: BatchWriter, db: Database, topic: str, payload: bytes) -> dict[str, Any]:
    """Commit one poison: what it took, and what became of it."""
    with db.read() as conn:
        known = {held.id for held in list_held(conn)}
    counter = Counter()
    gc.collect()
    ctypes.CDLL(None).malloc_trim(0)  # give back what the one before has left, or this one's peak would hide in it
    Path("/proc/self/clear_refs").write_text("5")  # the peak is measured from here on
    before = status("VmRSS")
    sys.setprofile(counter)
    outcome = writer.commit([IncomingMessage(topic, payload, NOW)])
    sys.setprofile(None)
    peak = status("VmHWM") - before
    with db.read() as conn:
        held = [one for one in list_held(conn) if one.id not in known]
    return {
        "peak": peak,
        "calls": counter.calls,
        "inserted": outcome.inserted,
        "codes": [one.code for one in held],
        "kept": sum(len(one.payload) for one in held),
    }


def main() -> None:
    """Commit each poison, after good messages have loaded what loads late."""
    db = Database.open("sqlite://")
    writer = BatchWriter(db, TopicRules([TopicRule.model_validate(RULE)]))
    for warm in (JSON, SENML, CBOR, FORECAST, MAPPED):
        writer.commit([IncomingMessage(warm, b"[{}]", NOW), IncomingMessage(warm, b"{}", NOW)])
    writer.commit([IncomingMessage(JSON, backlog(3), NOW)])
    print(json.dumps({name: one(writer, db, topic, make()) for name, (topic, make) in POISONS.items()}))
    db.close()


if __name__ == "__main__":
    main()
