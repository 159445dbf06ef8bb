"""Signed links for messages: each does one thing, for one person, until it expires, and only after a click.

A link's token is its content and a keyed hash of it (HMAC-SHA-256, RFC 2104), both in base64url (RFC 4648). The key
is different for each purpose, so a token can't be used for another. Opening the link only shows what it would do: mail
scanners open links too.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from datetime import UTC, datetime
from enum import StrEnum

from pydantic import BaseModel, ConfigDict, ValidationError

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
    """The token of a link: letters, digits, `-`, `_` and one `.`."""
    body = _encode(link.model_dump_json().encode())
    return f"{body}.{_encode(_mac(body, link.purpose, secret))}"


def read(token: str, purpose: Purpose, secret: bytes, as_of: datetime) -> Link:
    """The link that a token holds, if it is ours, for this purpose, and not over.

    Raises
    ------
    LinkError : it is not; the message can be shown to who clicked.
    """
    body, _, signature = token.partition(".")
    ours = token.isascii() and hmac.compare_digest(_encode(_mac(body, purpose, secret)).encode(), signature.encode())
    if not ours:
        raise LinkError("this link is not valid", remedy="Open the alert on the dashboard instead")
    try:
        link = Link.model_validate(json.loads(_decode(body)))
    except (ValueError, ValidationError) as error:
        raise LinkError("this link can't be read", remedy="Open the alert on the dashboard instead") from error
    if as_of.timestamp() >= link.expires:
        over = datetime.fromtimestamp(link.expires, UTC)
        raise LinkError(
            f"this link was valid until {over:%Y-%m-%d %H:%M} UTC", remedy="Open the alert on the dashboard instead"
        )
    return link


def _mac(body: str, purpose: Purpose, secret: bytes) -> bytes:
    key = hmac.digest(secret, f"monitord link: {purpose}".encode(), hashlib.sha256)
    return hmac.digest(key, body.encode(), hashlib.sha256)


def _encode(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _decode(text: str) -> bytes:
    try:
        return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except binascii.Error as error:
        raise ValueError(str(error)) from error
