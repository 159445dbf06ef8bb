"""Secrets that are handed out once, and what is kept of them."""

from __future__ import annotations

import hashlib
import secrets

_BYTES = 32
"""256 bits from the system's generator: a guess is hopeless, so a plain digest is enough to keep."""


def new_secret() -> str:
    """A new secret in base64url."""
    return secrets.token_urlsafe(_BYTES)


def digest_of(secret: str) -> str:
    """What is kept of a secret: its SHA-256 (FIPS 180-4) in hexadecimal."""
    return hashlib.sha256(secret.encode()).hexdigest()
