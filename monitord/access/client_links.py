"""Links for a client: signed, so that none can be guessed or altered, and rows, so that each can be revoked."""

from __future__ import annotations

import hashlib

from itsdangerous import BadData, URLSafeSerializer


def sign(link_id: str, secret: bytes) -> str:
    """What stands in the address of a link: letters, digits, `-`, `_` and `.`."""
    token = _serializer(secret).dumps(link_id)
    return token if isinstance(token, str) else token.decode("ascii")


def read(token: str, secret: bytes) -> str | None:
    """The id of the link, if we have signed it; whether it still holds is for its row to say."""
    try:
        found = _serializer(secret).loads(token)
    except (BadData, ValueError):
        return None
    return found if isinstance(found, str) else None


def _serializer(secret: bytes) -> URLSafeSerializer:
    return URLSafeSerializer(
        secret,
        salt=b"monitord link: client",
        signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256},
    )
