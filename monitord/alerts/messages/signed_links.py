"""Signed links for messages: each does one thing, for one person, until it expires, and only after a click.

A link's token is its content, signed by `itsdangerous` with HMAC-SHA-256 (RFC 2104). Each purpose has its own salt, so
a token can't be used for another. The time of expiry is part of the content: nothing here reads a clock. Opening the
link only shows what it would do: mail scanners open links too.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from enum import StrEnum

from itsdangerous import BadData, URLSafeSerializer
from pydantic import BaseModel, ConfigDict

from monitord.errors import MonitordError


class Purpose(StrEnum):
    """What a link does, once confirmed."""

    ACKNOWLEDGE = "acknowledge"
    """Take on one episode of an alert."""
    ACKNOWLEDGE_ALL = "acknowledge_all"
    """Take on every alert that a message tells of."""
    MUTE = "mute"
    """Mute one alert for a time."""


class LinkError(MonitordError):
    """A link is not ours, was altered, is over, or is for something else."""


class Link(BaseModel):
    """What a signed link says."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    purpose: Purpose
    person: str
    """Who it was sent to; what it does is done in their name."""
    subject: str
    """Fingerprint of the alert; for `acknowledge_all` the id of the message."""
    episode: int = 0
    mute_h: float = 0.0
    """For `mute`: how long. [h]"""
    expires: int
    """POSIX time. [s]"""


def sign(link: Link, secret: bytes) -> str:
    """The token of a link: letters, digits, `-`, `_` and `.`."""
    token = _serializer(link.purpose, secret).dumps(link.model_dump(mode="json"))
    return token if isinstance(token, str) else token.decode("ascii")


def read(token: str, purpose: Purpose, secret: bytes, as_of: datetime) -> Link:
    """The link that a token holds, if it is ours, for this purpose, and not over.

    Raises
    ------
    LinkError : it is not; the message can be shown to who clicked.
    """
    try:
        link = Link.model_validate(_serializer(purpose, secret).loads(token))
    except (BadData, ValueError) as error:
        raise LinkError("this link is not valid", remedy="Open the alert on the dashboard instead") from error
    if as_of.timestamp() >= link.expires:
        over = datetime.fromtimestamp(link.expires, UTC)
        raise LinkError(
            f"this link was valid until {over:%Y-%m-%d %H:%M} UTC", remedy="Open the alert on the dashboard instead"
        )
    return link


def _serializer(purpose: Purpose, secret: bytes) -> URLSafeSerializer:
    return URLSafeSerializer(
        secret,
        salt=f"monitord link: {purpose}".encode(),
        signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256},
    )
