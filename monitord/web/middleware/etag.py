"""ETags: an answer that says the same as the last one costs a few bytes (RFC 9110, section 13).

The ages on a page change from minute to minute without any news; they are left out of the tag, and the reader's
script counts them on. So the tag is a weak one.
"""

from __future__ import annotations

import hashlib

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitord.web.middleware.packing import DRAWING, Packer

_KINDS = ("text/html", "application/json")
_AGE, _NOW = b'<time class="age"', b'data-now="'


class ETagMiddleware:
    """ASGI middleware: tags pages and JSON, and answers 304 where the reader has them already.

    It packs those that hold drawings, since it has them whole; the others are packed further out.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._packer = Packer()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Hold an answer back until its tag is known."""
        if scope["type"] != "http" or scope["method"] not in ("GET", "HEAD"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        packer = self._packer if "gzip" in headers.get("accept-encoding", "") else None
        await self._app(scope, receive, _Tagger(headers.get("if-none-match", ""), packer, send))


class _Tagger:
    """The `send` of one answer."""

    def __init__(self, known: str, packer: Packer | None, send: Send) -> None:
        self._known = {tag.strip().removeprefix("W/") for tag in known.split(",") if tag.strip()}
        self._packer, self._send = packer, send
        self._start: Message | None = None
        self._body: list[bytes] = []

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            kind = Headers(scope=message).get("content-type", "")
            if message["status"] == 200 and kind.startswith(_KINDS):
                self._start = message
                return
        elif message["type"] == "http.response.body" and self._start is not None:
            self._body.append(message.get("body", b""))
            if not message.get("more_body", False):
                await self._finish(self._start, b"".join(self._body))
            return
        await self._send(message)

    async def _finish(self, start: Message, body: bytes) -> None:
        headers, tag = MutableHeaders(scope=start), tag_of(body)
        headers["etag"] = f"W/{tag}"
        if tag in self._known or "*" in self._known:
            start["status"], body = 304, b""
            for name in ("content-length", "content-type"):
                if name in headers:
                    del headers[name]
        elif self._packer is not None and DRAWING in body:
            body = self._packer.packed(body)
            headers["content-encoding"], headers["content-length"] = "gzip", str(len(body))
            headers.add_vary_header("accept-encoding")
        await self._send(start)
        await self._send({"type": "http.response.body", "body": body})


def tag_of(body: bytes) -> str:
    """The tag of a body, in its quotes."""
    digest = hashlib.sha256()
    before, now, rest = body.partition(_NOW)  # once, at the head of a page
    if now:
        digest.update(before + now)
    first, *aged = (rest.partition(b'"')[2] if now else body).split(_AGE)
    digest.update(first)
    for part in aged:
        opening, _, words = part.partition(b">")
        digest.update(_AGE + opening + words[words.find(b"<") :])
    return f'"{digest.hexdigest()[:24]}"'
