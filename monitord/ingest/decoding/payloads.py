"""A payload's bytes to one value of texts, numbers, lists and maps, by its encoding."""

from __future__ import annotations

import io
import zlib
from typing import Any

import cbor2
from pydantic_core import from_json

from monitord.errors import DecodeError
from monitord.ingest.decoding import sparkplug
from monitord.model.config.broker import Encoding

MAX_UNPACKED_BYTES = 2**20
"""Of a compressed payload, as of one that is not (`broker.max_payload_bytes`)."""
_GZIP = b"\x1f\x8b"
"""How a gzip member begins (RFC 1952, 2.3.1); no JSON and no CBOR begins so."""
_GZIP_WINDOW = 31
"""zlib's number for a gzip header and the largest window."""
_DEEPEST = 100
"""Lists and maps within each other; JSON's own parser stops at 200."""


def read(payload: bytes, encoding: Encoding, *, text_too: bool = False) -> Any:
    """Read a payload.

    Parameters
    ----------
    encoding : what it is.
    text_too : what should be JSON and does not begin as an object or a list may be plain text.

    Raises
    ------
    DecodeError : `not_json`, `not_cbor`, `not_text`, `not_sparkplug`, or `unpacks_too_large`.
    """
    if encoding is Encoding.HEX:
        return payload.hex()
    if payload[:2] == _GZIP:
        payload = _unpacked(payload)
    match encoding:
        case Encoding.CBOR:
            return _cbor(payload)
        case Encoding.TEXT:
            return _text(payload)
        case Encoding.SPARKPLUG_B:
            return sparkplug.decode(payload)
        case _:
            return _json(payload, text_too)


def _json(payload: bytes, text_too: bool) -> Any:
    try:
        return from_json(payload)
    except ValueError as error:
        if text_too and payload.lstrip()[:1] not in (b"{", b"["):
            return _text(payload)
        raise DecodeError("not_json", "the payload is not JSON", why=str(error)) from None


def _text(payload: bytes) -> str:
    try:
        return payload.decode().strip()
    except UnicodeDecodeError:
        raise DecodeError(
            "not_text", "the payload is not text in UTF-8", remedy="Write the rule's encoding; for bytes it is hex"
        ) from None


def _cbor(payload: bytes) -> Any:
    stream = io.BytesIO(payload)
    try:
        value = cbor2.load(stream)
    except (cbor2.CBORDecodeError, ValueError, TypeError, OverflowError, RecursionError, MemoryError) as error:
        raise DecodeError("not_cbor", "the payload is not CBOR", why=str(error)[:200] or type(error).__name__) from None
    if stream.read(1):
        raise DecodeError("not_cbor", "the payload goes on after its end", remedy="Send one value in a message")
    return _plain(value)


def _plain(value: object, depth: int = 0) -> Any:
    """CBOR as JSON would have it: keys are texts, bytes are hexadecimal text, anything else unknown is null."""
    if depth > _DEEPEST:
        raise DecodeError("not_cbor", f"lists and maps stand more than {_DEEPEST} deep in each other")
    if isinstance(value, dict):
        return {key if isinstance(key, str) else repr(key)[:64]: _plain(v, depth + 1) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item, depth + 1) for item in value]
    if isinstance(value, bytes):
        return value.hex()
    return value if value is None or isinstance(value, str | bool | int | float) else None


def _unpacked(payload: bytes) -> bytes:
    unpacker = zlib.decompressobj(_GZIP_WINDOW)
    try:
        whole = unpacker.decompress(payload, MAX_UNPACKED_BYTES)
    except zlib.error as error:
        raise DecodeError("not_json", "the payload begins as gzip and can't be unpacked", why=str(error)) from None
    if not unpacker.eof:
        raise DecodeError(
            "unpacks_too_large",
            "the payload is cut off, or unpacks to more than may be read",
            why=f"the limit is {MAX_UNPACKED_BYTES:,} bytes",
            remedy="Let the sender publish its backlog in several messages",
        )
    return whole
