"""What the other side asked for when it refused a message, and where no message goes.

Apprise keeps the headers of answers to itself. They are read one layer below, in the library that it sends with.
"""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Callable
from datetime import datetime
from email.utils import parsedate_to_datetime
from typing import Any

import requests

_TOO_MANY, _UNAVAILABLE = 429, 503
"""Answers with which Retry-After is sent (RFC 6585, section 4; RFC 9110, section 10.2.3)."""
_METADATA = frozenset({"metadata.google.internal", "fd00:ec2::254"})
"""Where clouds answer with a machine's secrets, beside the link-local 169.254.169.254."""
_answered = threading.local()


def _noting(send: Callable[..., Any]) -> Callable[..., Any]:
    def send_and_note(self: requests.Session, request: requests.PreparedRequest, **how: Any) -> Any:
        answer = send(self, request, **how)
        if answer.status_code in (_TOO_MANY, _UNAVAILABLE):
            _answered.retry_after_s = retry_after_s(answer.headers.get("Retry-After"), answer.headers.get("Date"))
        return answer

    return send_and_note


requests.Session.send = _noting(requests.Session.send)  # type: ignore[method-assign]


def forget() -> None:
    """Forget what was answered in this thread, before a message is sent."""
    _answered.retry_after_s = None


def asked_pause_s() -> float | None:
    """For how long the other side asked to be left alone, in the message last sent by this thread. [s]"""
    found: float | None = getattr(_answered, "retry_after_s", None)
    return found


def retry_after_s(value: str | None, date: str | None) -> float | None:
    """The header Retry-After in seconds; one that names a time is held against the answer's own Date. [s]"""
    if value is None:
        return None
    if value.strip().isdigit():
        return float(value)
    until, now = _time(value), _time(date)
    return None if until is None or now is None else max(0.0, (until - now).total_seconds())


def _time(text: str | None) -> datetime | None:
    try:
        return None if text is None else parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return None


def is_link_local(host: str) -> bool:
    """Whether a host is, or resolves to, a link-local address or one of the names of a cloud's metadata.

    A name that can't be resolved is not: the try to send says so better.
    """
    if host.lower().strip("[].") in _METADATA:
        return True
    try:
        found = {str(info[4][0]).partition("%")[0] for info in socket.getaddrinfo(host.strip("[]"), None)}
    except (OSError, UnicodeError):
        return False
    return any(ipaddress.ip_address(address).is_link_local or address in _METADATA for address in found)
