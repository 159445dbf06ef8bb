"""One message may take only so much: a payload that is too large is cut before anything reads it."""

from __future__ import annotations

import hashlib
from typing import NamedTuple

from monitord.errors import DecodeError

TOO_LARGE = "too_large"
"""The reason code of a payload over the limit; what is held is its beginning, so it can't be released."""

KEPT_BYTES = 4096
"""How much of the beginning is kept: enough to recognise the sender. Our choice."""


class Whole(NamedTuple):
    """What is known of a payload that was cut."""

    length: int
    """Bytes that came."""
    sha256: str
    """Of all of them, in hexadecimal."""


def cut(payload: bytes | bytearray, max_bytes: int) -> tuple[bytes, Whole | None]:
    """The payload, or its beginning and what is known of the rest where it is longer than `max_bytes`."""
    if len(payload) <= max_bytes:
        return bytes(payload), None
    return bytes(payload[:KEPT_BYTES]), Whole(len(payload), hashlib.sha256(payload).hexdigest())


def too_large(whole: Whole, max_bytes: int) -> DecodeError:
    """Why such a payload is not read."""
    return DecodeError(
        TOO_LARGE,
        f"the payload of {whole.length:,} bytes is over the limit of {max_bytes:,}",
        why=f"only its first {KEPT_BYTES:,} bytes are kept; SHA-256 of the whole {whole.sha256}",
        remedy="Let the sender publish its backlog in several messages, or raise broker.max_payload_bytes",
    )
