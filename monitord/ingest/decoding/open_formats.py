"""Bytes of small radio packets by open, published formats: BTHome v2, the tag formats RAWv1 and RAWv2, Cayenne LPP."""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Callable
from typing import NamedTuple

MAX_TEXT = 2048
"""Characters of the hexadecimal or base64 text; a packet has some hundred bytes at most. Our choice."""
_HEX = re.compile(r"(?:0[xX])?((?:[0-9A-Fa-f]{2})+)")


def decode(name: str, text: str) -> dict[str, object]:
    """What a packet says, by the names and units of its format's own specification.

    Parameters
    ----------
    name : `bthome-v2`, `ruuvi` or `cayenne-lpp`.
    text : the bytes in hexadecimal (with or without `0x`, spaces, `:` or `-` between them), else in base64.

    Raises
    ------
    ValueError : no such format, or the bytes are not in it.
    """
    if name not in FORMATS:
        raise ValueError(f"{name[:40]!r} is not one of {', '.join(FORMATS)}")
    return FORMATS[name](to_bytes(text))


def to_bytes(text: str) -> bytes:
    """Bytes from hexadecimal or, where it is none, from base64.

    Raises
    ------
    ValueError : it is neither, or too long.
    """
    if len(text) > MAX_TEXT:
        raise ValueError(f"{len(text):,} characters are too many for one packet; {MAX_TEXT:,} are allowed")
    found = _HEX.fullmatch(re.sub(r"[\s:-]", "", text))
    if found is not None:
        return bytes.fromhex(found[1])
    try:
        return base64.b64decode(text, validate=True)
    except binascii.Error:
        raise ValueError("the bytes are neither in hexadecimal nor in base64") from None


# --- BTHome v2 (bthome.io/format, read 2026): objects of an id byte and a little-endian value --------------------


class _Object(NamedTuple):
    size: int
    signed: bool = False
    factor: float = 1.0
    name: str | None = None
    """None: known only to be stepped over."""


_BTHOME_SERVICE = b"\xd2\xfc"
"""UUID 0xFCD2, least significant byte first."""
_SERVICE_DATA = b"\x16" + _BTHOME_SERVICE
"""How the service data begin in a whole advertisement, after their length."""
_ENCRYPTED = 0x01
_VERSION_SHIFT = 5
_BTHOME_VERSION = 2
_TEXT_OBJECTS = (0x53, 0x54)
"""Text and raw: a length byte stands before the value."""
_BTHOME = {
    0x00: _Object(1, name="packet_id"),
    0x01: _Object(1, name="battery"),
    0x02: _Object(2, signed=True, factor=0.01, name="temperature"),
    0x03: _Object(2, factor=0.01, name="humidity"),
    0x04: _Object(3, factor=0.01, name="pressure"),
    0x05: _Object(3, factor=0.01, name="illuminance"),
    0x08: _Object(2, signed=True, factor=0.01, name="dewpoint"),
    0x0C: _Object(2, factor=0.001, name="voltage"),
    0x14: _Object(2, factor=0.01, name="moisture"),
    0x2E: _Object(1, name="humidity"),
    0x2F: _Object(1, name="moisture"),
    0x45: _Object(2, signed=True, factor=0.1, name="temperature"),
    0x4A: _Object(2, factor=0.1, name="voltage"),
    0x57: _Object(1, signed=True, name="temperature"),
    0x58: _Object(1, signed=True, factor=0.35, name="temperature"),
}
_BTHOME_SIZES = {
    1: (0x09, *range(0x0F, 0x12), *range(0x15, 0x2E), 0x3A, 0x46, 0x59, 0x60),
    2: (
        *(0x06, 0x07, 0x0D, 0x0E, 0x12, 0x13, 0x3C, 0x3D, 0x3F, 0x40, 0x41, 0x43, 0x44, 0x47, 0x48, 0x49),
        *(0x51, 0x52, 0x56, 0x5A, 0x5D, 0x5E, 0x5F, 0x61, 0xF0),
    ),
    3: (0x0A, 0x0B, 0x42, 0x4B, 0xF2),
    4: (0x3E, 0x4C, 0x4D, 0x4E, 0x4F, 0x50, 0x55, 0x5B, 0x5C, 0x62, 0x63, 0xF1),
}
"""Bytes of the objects that are stepped over."""
_BTHOME |= {number: _Object(size) for size, numbers in _BTHOME_SIZES.items() for number in numbers}


def _bthome(data: bytes) -> dict[str, object]:
    start = data.find(_SERVICE_DATA)
    if start > 0:  # a whole advertisement
        data = data[start + len(_SERVICE_DATA) : start + data[start - 1]]
    data = data.removeprefix(_BTHOME_SERVICE)
    if not data or data[0] >> _VERSION_SHIFT != _BTHOME_VERSION:
        raise ValueError("this is not BTHome version 2")
    if data[0] & _ENCRYPTED:
        raise ValueError("the packet is encrypted; let the gateway decrypt it, or turn the sender's encryption off")
    found: dict[str, object] = {}
    at = 1
    while at < len(data):
        number, at = data[at], at + 1
        if number in _TEXT_OBJECTS:
            at += 1 + _byte(data, at)
            continue
        known = _BTHOME.get(number)
        if known is None:
            break  # the specification: objects are in order of their id, and what follows an unknown one is skipped
        value = _integer(data, at, known.size, signed=known.signed, order="little")
        at += known.size
        if known.name is not None:
            found.setdefault(known.name, round(value * known.factor, 6))
    return found


# --- RAWv1 and RAWv2, the open tag formats 3 and 5 (docs.ruuvi.com, "Data format 3 (RAWv1)", "5 (RAWv2)") -----------

_TAG_COMPANY = b"\x99\x04"
"""Company id 0x0499, least significant byte first."""
_RAWV1, _RAWV2 = 3, 5
_TAG_BYTES = {_RAWV1: 14, _RAWV2: 24}
_NO_SIGNED = -0x8000
_NO_UNSIGNED = 0xFFFF
_NO_VOLTAGE = 0x7FF
_LEAST_PA = 50_000


def _tag(data: bytes) -> dict[str, object]:
    start = data.find(_TAG_COMPANY)
    if data[:1] not in (bytes([_RAWV1]), bytes([_RAWV2])) and start >= 0:  # a whole advertisement
        data = data[start + len(_TAG_COMPANY) :]
    if not data or len(data) < _TAG_BYTES.get(data[0], len(data) + 1):
        raise ValueError("this is neither data format 3 (RAWv1) nor 5 (RAWv2)")
    return _rawv1(data) if data[0] == _RAWV1 else _rawv2(data)


def _rawv1(data: bytes) -> dict[str, object]:
    size = (data[2] & 0x7F) + data[3] / 100
    return {
        "temperature": -size if data[2] & 0x80 else size,
        "humidity": data[1] * 0.5,
        "pressure": _integer(data, 4, 2) + _LEAST_PA,
        "voltage": _integer(data, 12, 2) / 1000,
    }


def _rawv2(data: bytes) -> dict[str, object]:
    temperature = _integer(data, 1, 2, signed=True)
    humidity, pressure, power = (_integer(data, at, 2) for at in (3, 5, 13))
    millivolts = power >> 5
    mac = data[18:24].hex()
    return {
        "temperature": None if temperature == _NO_SIGNED else round(temperature * 0.005, 4),
        "humidity": None if humidity == _NO_UNSIGNED else round(humidity * 0.0025, 5),
        "pressure": None if pressure == _NO_UNSIGNED else pressure + _LEAST_PA,
        "voltage": None if millivolts == _NO_VOLTAGE else round((millivolts + 1600) / 1000, 3),
        "sequence": None if (number := _integer(data, 16, 2)) == _NO_UNSIGNED else number,
        "mac": None if mac == "f" * 12 else mac,
    }


# --- Cayenne Low Power Payload (github.com/myDevicesIoT/CayenneLPP, README): channel, type, big-endian value -------

_LPP_NAMED = {
    2: _Object(2, signed=True, factor=0.01, name="analog_in"),
    103: _Object(2, signed=True, factor=0.1, name="temperature"),
    104: _Object(1, factor=0.5, name="humidity"),
    115: _Object(2, factor=0.1, name="pressure"),
    116: _Object(2, factor=0.01, name="voltage"),
    120: _Object(1, name="percentage"),
}
_LPP_SIZES = {0: 1, 1: 1, 3: 2, 100: 4, 101: 2, 102: 1, 113: 6, 117: 2, 118: 4, 121: 2, 134: 6, 136: 9}
_LPP = _LPP_NAMED | {number: _Object(size) for number, size in _LPP_SIZES.items()}


def _lpp(data: bytes) -> dict[str, object]:
    found: dict[str, object] = {}
    at = 0
    while at < len(data):
        channel, number = data[at], _byte(data, at + 1)
        known = _LPP.get(number)
        if known is None:
            raise ValueError(f"the data type {number} is not one of Cayenne LPP, so what follows can't be read")
        value = _integer(data, at + 2, known.size, signed=known.signed)
        at += 2 + known.size
        if known.name is not None:
            scaled = round(value * known.factor, 6)
            found[f"{known.name}_{channel}"] = scaled
            found.setdefault(known.name, scaled)
    return found


def _byte(data: bytes, at: int) -> int:
    return int(_integer(data, at, 1))


def _integer(data: bytes, at: int, size: int, *, signed: bool = False, order: str = "big") -> int:
    if at + size > len(data):
        raise ValueError("the packet ends within a value")
    return int.from_bytes(data[at : at + size], "little" if order == "little" else "big", signed=signed)


FORMATS: dict[str, Callable[[bytes], dict[str, object]]] = {
    "bthome-v2": _bthome,
    "ruuvi": _tag,
    "cayenne-lpp": _lpp,
}
"""Formats by their names in a rule."""
