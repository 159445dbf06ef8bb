"""What stands before every request: whom it is for, where it comes from, and what the browser may do with the answer.

The dashboard answers to loopback names and to the one that the settings give it, so that a page elsewhere can't reach
it through a name that was made to point here; over a network it speaks only https, its own or a trusted proxy's; and
it takes changes only from its own pages.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Collection, Sequence
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MAX_BODY_BYTES = 16_384
INGEST, MAX_INGEST_BYTES = "/api/readings/", 262_144
"""Where readings are handed in, and how much at once (our choice). [bytes]"""
NOTES, MAX_NOTES_BYTES = re.compile(r"/jobs/[^/]+/(notes|plan)"), 48_000_000
"""Where photos are handed in, and how much at once: some photos of a phone (our choice). [bytes]"""
HSTS = "max-age=31536000"
"""On every answer over https (RFC 6797): a year."""
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_OWN_SITES = frozenset({"same-origin", "none"})

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "x-robots-tag": "noindex",
}
"""On every answer. `same-origin` as the referrer policy, since under a stricter one browsers hide a form's origin."""


class OriginCheck:
    """ASGI middleware: refuses what is not for this machine or not from its own pages; adds the headers."""

    def __init__(self, app: ASGIApp, public_urls: Sequence[str | None] = ()) -> None:
        self._app = app
        self._public = frozenset(urlsplit(url).netloc.lower() for url in public_urls if url)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason why not."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-cache")
                if scope["scheme"] == "https":
                    headers.setdefault("strict-transport-security", HSTS)
            await send(message)

        refusal = refuse(scope["method"], Headers(scope=scope), self._public, _max_bytes(scope["path"]))
        if refusal is None and scope["scheme"] != "https" and not _is_here(scope):
            refusal = PlainTextResponse("Over a network monitord speaks only https.\n", status_code=403)
        if refusal is None:
            await self._app(scope, receive, with_headers)
        else:
            await refusal(scope, receive, with_headers)


def refuse(
    method: str, headers: Headers, public: Collection[str] = (), max_bytes: int = MAX_BODY_BYTES
) -> PlainTextResponse | None:
    """The answer to a request that must not go on; None where it may.

    Parameters
    ----------
    public : Hosts and ports by which people reach this one (`web.public_url`, `alerts.public_url`).
    max_bytes : Longest body. [bytes]
    """
    hosts = headers.getlist("host")
    if len(hosts) != 1 or not (is_loopback_name(hosts[0]) or hosts[0].lower() in public):
        return PlainTextResponse(
            "monitord answers on this machine under localhost, 127.0.0.1 or [::1], and elsewhere only under the name "
            "that the setting `web.public_url` gives.\n",
            status_code=421,
        )
    if method in _SAFE:
        return None
    if not _from_own_page(headers, {hosts[0].lower(), *public}):
        return PlainTextResponse("Changes are taken only from monitord's own pages.\n", status_code=403)
    length = headers.get("content-length", "")
    if not length.isascii() or not length.isdigit() or int(length) > max_bytes:
        return PlainTextResponse(f"At most {max_bytes} bytes, with their length told.\n", status_code=413)
    return None


def _max_bytes(path: str) -> int:
    """Longest body of a request to a path. [bytes]"""
    if path.startswith(INGEST):
        return MAX_INGEST_BYTES
    return MAX_NOTES_BYTES if NOTES.fullmatch(path) else MAX_BODY_BYTES


def _is_here(scope: Scope) -> bool:
    """Whether a request comes from this machine; what is no address of a network came through no network."""
    client = scope.get("client")
    try:
        return client is None or ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return True


def is_loopback_name(host: str) -> bool:
    """Whether a Host header names this machine's loopback, with or without a port."""
    try:
        name, port = urlsplit(f"//{host}").hostname, urlsplit(f"//{host}").port
    except ValueError:
        return False
    if name is None or "@" in host or any(mark in host for mark in "/?#\\ ") or (port is None and host.endswith(":")):
        return False
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _from_own_page(headers: Headers, own: set[str]) -> bool:
    """By what the browser says of the request's origin; a program that is no browser says nothing and may pass.

    `Sec-Fetch-Site` where there is one (W3C Fetch Metadata), else `Origin` (RFC 6454) against the host.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in _OWN_SITES
    origin = headers.get("origin")
    return origin is None or (urlsplit(origin).netloc.lower() or None) in own
