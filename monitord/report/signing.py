"""A firm's signature on a pack: Ed25519 (RFC 8032) over the manifest, by a kept library; and time stamps beside one.

A time stamp (RFC 3161) is made of the whole file and lies beside it: what it stamps can't hold it. Read here is what it
states; whether its authority made it is for who trusts that authority to check, with openssl.
"""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import UTC, datetime
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from monitord.errors import ConfigurationError


def new_key() -> bytes:
    """A new private key as PEM (PKCS 8, without a password): keep it away from the packs."""
    key = Ed25519PrivateKey.generate()
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def load_key(path: Path) -> Ed25519PrivateKey:
    """The private key of a PEM file.

    Raises
    ------
    ConfigurationError : it can't be read or is no Ed25519 key.
    """
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError, TypeError) as error:
        raise ConfigurationError(
            "the key can't be read",
            where=str(path),
            why=str(error).split(".")[0],
            remedy="Make one with `monitord evidence key`",
        ) from None
    if not isinstance(key, Ed25519PrivateKey):
        raise ConfigurationError("not an Ed25519 key", where=str(path), remedy="Make one with `monitord evidence key`")
    return key


def public_text(key: Ed25519PrivateKey) -> str:
    """The public half in base64: what the other side is to know beforehand."""
    return base64.b64encode(key.public_key().public_bytes_raw()).decode("ascii")


def sign(key: Ed25519PrivateKey, manifest: bytes) -> bytes:
    """The content of the signature's file."""
    signature = base64.b64encode(key.sign(manifest)).decode("ascii")
    return f"ed25519 {public_text(key)} {signature}\n".encode("ascii")


def signer(signature: bytes, manifest: bytes) -> str | None:
    """The public key in base64 that a signature's file is by; None: the signature does not fit the manifest."""
    try:
        kind, public, signed = signature.decode("ascii").rstrip("\n").split(" ")
        key = Ed25519PublicKey.from_public_bytes(base64.b64decode(public, validate=True))
        key.verify(base64.b64decode(signed, validate=True), manifest)
    except (ValueError, InvalidSignature):
        return None
    return public if kind == "ed25519" else None


_STAMPED = re.compile(rb"\x06\x09\x60\x86\x48\x01\x65\x03\x04\x02\x01(?:\x05\x00)?\x04\x20(.{32})\x02(.)", re.DOTALL)
"""In the DER of a response: SHA-256 and the digest (messageImprint), then the serial number (RFC 3161, 2.4.2)."""
_TIME = re.compile(rb"\x18.(\d{14})(?:\.\d+)?Z", re.DOTALL)
"""What follows the serial number: genTime."""


def stamped_at(stamp: bytes, pack: bytes) -> datetime | None:
    """The time that a time stamp states for a file; None: it is of another file, or no response by SHA-256."""
    found = _STAMPED.search(stamp)
    if found is None or found[1] != hashlib.sha256(pack).digest():
        return None
    time = _TIME.match(stamp, found.end() + found[2][0])
    return None if time is None else datetime.strptime(time[1].decode("ascii"), "%Y%m%d%H%M%S").replace(tzinfo=UTC)
