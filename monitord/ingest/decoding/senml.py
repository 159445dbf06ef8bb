"""SenML packs (RFC 8428), in JSON and in CBOR, to readings.

Records of one device and one time make one reading. Which device and which quantity a record is about stands in
its name: `<device><separator><quantity>`, where the separator is one of `: . / _ -` and the quantity one of
`NAMED`; without a quantity the unit decides (`Cel` is air temperature, `%RH` humidity, `V` and `%EL` battery, `Pa`
pressure).
When the topic names the probe, all records must be of one device and the topic's probe is taken.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple

import cbor2
from pydantic_core import from_json

from monitord.errors import DecodeError
from monitord.ingest.decoding.records import MAX_RECORDS, Decoded, RecordSource, build, check_count, decode_each, short
from monitord.ingest.decoding.times import from_unix
from monitord.model.readings import Reading

VERSION = 10
"""The SenML version of RFC 8428; a pack of a higher one must not be used (section 4.4)."""

RELATIVE_BELOW = 2**28
"""A resolved time under this many seconds is relative to now (section 4.5.3)."""

CBOR_LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
"""Section 6, table 4."""

_KNOWN = frozenset(CBOR_LABELS.values())
_TEXTS = frozenset({"bn", "bu", "n", "u", "vs"})
_NUMBERS = frozenset({"bv", "bs", "v", "s"})
_TIMES = frozenset({"bt", "t", "ut"})
_BASES = ("bn", "bt", "bu", "bv")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
"""Section 4.5.1."""

NAMED = {
    "temperature": "temperature_c",
    "surface_temperature": "surface_temperature_c",
    "humidity": "relative_humidity_pct",
    "relative_humidity": "relative_humidity_pct",
    "rh": "relative_humidity_pct",
    "battery": "battery_v",
    "voltage": "battery_v",
    "pressure": "pressure_hpa",
}
"""Quantities by the word at the end of a record's name; `-` may stand for `_`, capitals for small letters."""

_BY_UNIT = {
    "Cel": "temperature_c",
    "%RH": "relative_humidity_pct",
    "V": "battery_v",
    "%EL": "battery_pct",
    "Pa": "pressure_hpa",
}
_UNIT_OF = {**{quantity: unit for unit, quantity in _BY_UNIT.items()}, "surface_temperature_c": "Cel"}
_PASCAL_PER_HPA = 100.0
_PER_READING = 2
"""Records of a pack for each reading, on the average at most: temperature and humidity. Our choice."""
_LONGEST_NAME = 512
"""Characters of a resolved name; an id of ours has 128 at most. Our choice: a base name stands before each record."""
_QUANTITY = re.compile(
    rf"(?P<device>.*?)(?:^|[:./_-])(?P<quantity>{'|'.join(word.replace('_', '[_-]') for word in NAMED)})",
    re.IGNORECASE,
)


class MeasuredRecord(NamedTuple):
    """One resolved record that is about a quantity of ours."""

    device: str
    time: datetime
    quantity: str
    value: float


def decode_json(payload: bytes, source: RecordSource) -> Decoded:
    """Read a SenML JSON pack (media type application/senml+json).

    Raises
    ------
    DecodeError : `not_json`, `not_senml`, `too_many_records`, or `no_records` when nothing in the pack is a quantity
    of ours.
    """
    try:
        pack = from_json(payload)
    except ValueError as error:
        raise DecodeError("not_json", "the payload is not JSON", why=str(error)) from None
    return _decode(pack, source)


def decode_cbor(payload: bytes, source: RecordSource) -> Decoded:
    """Read a SenML CBOR pack (media type application/senml+cbor).

    Raises
    ------
    DecodeError : `not_cbor`, `not_senml`, `too_many_records`, or `no_records` when nothing in the pack is a quantity
    of ours.
    """
    stream = io.BytesIO(payload)
    try:
        pack = cbor2.load(stream)
    except (cbor2.CBORDecodeError, ValueError, TypeError, OverflowError, RecursionError, MemoryError) as error:
        raise DecodeError("not_cbor", "the payload is not CBOR", why=str(error)[:200] or type(error).__name__) from None
    if stream.read(1):
        raise DecodeError("not_cbor", "the payload goes on after its end", remedy="Send one pack in a message")
    if isinstance(pack, list):
        pack = [_labelled(record) for record in pack]
    return _decode(pack, source)


def _labelled(record: Any) -> Any:
    """A CBOR record with text labels in place of the integers of table 4."""
    if not isinstance(record, dict):
        return record
    return {CBOR_LABELS.get(label, label) if _is_integer(label) else label: v for label, v in record.items()}


def _is_integer(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _decode(pack: object, source: RecordSource) -> Decoded:
    if not isinstance(pack, list):
        raise _not_senml("a pack is an array of records (section 4)")
    check_count(len(pack), _PER_READING * MAX_RECORDS)
    groups: dict[tuple[str, datetime], list[MeasuredRecord]] = {}
    for record in _resolved(pack, source):
        groups.setdefault((record.device, record.time), []).append(record)
    if not groups:
        raise DecodeError(
            "no_records",
            "nothing in the pack is a number in one of the units Cel, %RH, V, %EL, Pa",
            remedy="Send temperature in Cel and relative humidity in %RH",
        )
    devices = {device for device, _ in groups}
    if source.probe is not None and len(devices) > 1:
        raise DecodeError(
            "bad_probe",
            f"the topic names one probe but the pack has {len(devices)} devices: {', '.join(sorted(devices))[:200]}",
            where="bn, n",
            remedy="Publish each device under its own topic, or use a topic rule without {probe}",
        )
    return decode_each(groups.values(), _reading, source)


def _reading(group: list[MeasuredRecord], source: RecordSource) -> Reading:
    values: dict[str, Any] = {}
    for record in group:
        value = _finite(record.value, record.quantity)
        if values.setdefault(record.quantity, value) != value:
            raise DecodeError(
                "contradiction",
                f"{record.quantity} is both {values[record.quantity]} and {value} at one time",
                where=record.device or None,
                remedy="Give the quantities different names, such as temperature and surface_temperature",
            )
    missing = {"temperature_c", "relative_humidity_pct"} - values.keys()
    if missing:
        raise DecodeError(
            "incomplete",
            f"no {' and no '.join(sorted(missing))} at {group[0].time:%Y-%m-%dT%H:%M:%SZ}",
            where=group[0].device or None,
            remedy="Give temperature (Cel) and humidity (%RH) of a device the same time in one pack",
        )
    probe = source.probe if source.probe is not None else group[0].device
    return build({**values, "probe": probe, "gateway": source.gateway, "time": group[0].time}, source)


def _resolved(pack: Iterable[object], source: RecordSource) -> Iterator[MeasuredRecord]:
    """The records with their base values applied (section 4.6), as far as they are about quantities of ours."""
    base: dict[str, Any] = {}
    for number, raw in enumerate(pack, start=1):
        record = _checked(raw, number)
        base.update((key, record[key]) for key in _BASES if key in record)
        if "v" not in record:
            continue  # text, boolean, data and sum values are legal SenML and are nothing that we keep
        unit = record.get("u", base.get("bu"))
        names = base.get("bn", ""), record.get("n", "")
        if sum(map(len, names)) > _LONGEST_NAME:
            raise _not_senml(f"a name of over {_LONGEST_NAME} characters is not taken", number)
        named = _named("".join(names), unit, number)
        if named is None:
            continue
        device, quantity = named
        value = record["v"] + base.get("bv", 0.0)
        if quantity == "pressure_hpa":
            value /= _PASCAL_PER_HPA
        time = _time(base.get("bt", 0.0) + record.get("t", 0.0), source)
        yield MeasuredRecord(device, time, quantity, value)


def _checked(raw: object, number: int) -> dict[str, Any]:
    """A record whose labels and types are those of section 4, its numbers as floats."""
    if not isinstance(raw, dict):
        raise _not_senml("a record is an object (section 4)", number)
    for label in raw:
        if label not in _KNOWN and (not isinstance(label, str) or label.endswith("_")):
            raise _not_senml(f"the label {short(label)} must be understood and is not (section 4.4)", number)
    record: dict[str, Any] = {label: raw[label] for label in _KNOWN.intersection(raw)}
    version = record.get("bver", VERSION)
    if not _is_integer(version) or not 1 <= version <= VERSION:
        raise _not_senml(f"version {short(version, 20)} can't be read, only up to {VERSION} (section 4.4)", number)
    for label in _TEXTS.intersection(record):
        if not isinstance(record[label], str):
            raise _not_senml(f"{label} is not a text (section 4)", number)
    for label in _NUMBERS.intersection(record):
        record[label] = _number(record[label], label, number)
    for label in _TIMES.intersection(record):
        record[label] = _finite(_number(record[label], label, number), f"record {number}, {label}")
    if len(record.keys() & {"v", "vs", "vb", "vd"}) > 1:
        raise _not_senml("a record has one value (section 4.2)", number)
    return record


def _named(name: str, unit: str | None, number: int) -> tuple[str, str] | None:
    """Device and quantity of a resolved name, or None for a quantity that is not ours."""
    if _NAME.fullmatch(name) is None and name:
        raise _not_senml(f"{name[:140]!r} is not a name (section 4.5.1)", number)
    found = _QUANTITY.fullmatch(name)
    if found is None:
        quantity = _BY_UNIT.get(unit or "")
        return None if quantity is None else (name.rstrip(":./_-"), quantity)
    quantity = NAMED[found["quantity"].lower().replace("-", "_")]
    if quantity == "battery_v" and unit == _UNIT_OF["battery_pct"]:
        quantity = "battery_pct"
    if unit != _UNIT_OF[quantity]:
        raise DecodeError(
            "bad_unit",
            f"{name[:140]!r} is in {unit!r}",
            where=f"record {number}, u",
            remedy=f"Send {found['quantity']} in {_UNIT_OF[quantity]}",
        )
    return found["device"].rstrip(":./_-"), quantity


def _time(seconds: float, source: RecordSource) -> datetime:
    if seconds >= RELATIVE_BELOW:
        return from_unix(seconds)
    return from_unix(source.arrival().timestamp() + seconds)


def _number(value: object, label: str, number: int) -> float:
    """A number of JSON or CBOR (there also a decimal fraction) as a float; a boolean is no number."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise DecodeError("bad_value", f"{short(value)} is not a number", where=f"record {number}, {label}")
    try:
        return float(value)
    except (OverflowError, ValueError):
        return math.inf


def _finite(value: float, where: str) -> float:
    if not math.isfinite(value):
        raise DecodeError("not_finite", f"{value} is not a measurement", where=where)
    return value


def _not_senml(why: str, number: int | None = None) -> DecodeError:
    return DecodeError(
        "not_senml",
        "the payload is not a SenML pack that can be used",
        where=None if number is None else f"record {number}",
        why=why,
        remedy="See RFC 8428",
    )
