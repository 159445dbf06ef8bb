"""Real receivers of messages on loopback: an SMTP server, and an HTTP server that can be told to misbehave."""

from __future__ import annotations

import email
import email.policy
import json
import threading
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self

from aiosmtpd.controller import Controller

from monitord.ingest.mqtt.embedded_broker import LOOPBACK, free_port


@dataclass
class Mailbox:
    """An SMTP server that keeps what it is given, or answers what it is told."""

    mails: list[EmailMessage] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    answer: str = "250 OK"
    port: int = 0

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:
        if not self.answer.startswith("250"):
            return self.answer
        self.mails.append(email.message_from_bytes(envelope.content, policy=email.policy.default))  # type: ignore[arg-type]
        self.recipients += envelope.rcpt_tos
        return self.answer

    def __enter__(self) -> Self:
        self.port = free_port()
        self._controller = Controller(self, hostname=LOOPBACK, port=self.port)
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._controller.stop()


@dataclass
class Call:
    """One request that a receiver got."""

    method: str
    path: str
    headers: dict[str, str]
    body: Any


class Receiver:
    """An HTTP server. `script` holds what it answers, one after the other; then 200.

    A number is a status, `hang` is silence until the server stops; with a map, the status has these headers.
    """

    def __init__(self, *script: int | str | tuple[int, dict[str, str]]) -> None:
        self.script = list(script)
        self.calls: list[Call] = []
        self._stop = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def handle_any(self) -> None:
                outer.take(self)

            do_GET = do_POST = handle_any  # noqa: N815 (the names that http.server calls)

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer((LOOPBACK, 0), Handler)
        self._server.daemon_threads = True
        self._server.block_on_close = False

    @property
    def port(self) -> int:
        return self._server.server_address[1]

    @property
    def accepted(self) -> list[Call]:
        """The requests that were answered with success."""
        return [call for call, status in zip(self.calls, self._answers, strict=True) if status == 200]

    def take(self, request: BaseHTTPRequestHandler) -> None:
        length = int(request.headers.get("Content-Length") or 0)
        raw = request.rfile.read(length)
        body = json.loads(raw) if raw.startswith(b"{") else raw
        answer = self.script.pop(0) if self.script else 200
        self.calls.append(Call(request.command, request.path, dict(request.headers), body))
        status, headers = answer if isinstance(answer, tuple) else (answer, {})
        self._answers.append(status)
        if answer == "hang":
            self._stop.wait(20)
            return
        (request.send_response_only if "Date" in headers else request.send_response)(int(status))
        for name, value in headers.items():
            request.send_header(name, value)
        request.send_header("Content-Length", "0")
        request.end_headers()

    def __enter__(self) -> Self:
        self._answers: list[int | str] = []
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
