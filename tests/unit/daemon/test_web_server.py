"""The dashboard's server: answers from start to stop, and says in words why it can't."""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
from brokers import wait_until
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from monitord.daemon.web_server import WebServer, bound
from monitord.errors import ConfigurationError


def hello(_request: object) -> PlainTextResponse:
    return PlainTextResponse("hello")


def test_it_answers_on_any_free_port_until_it_is_stopped() -> None:
    server = WebServer(Starlette(routes=[Route("/", hello)]), "127.0.0.1", 0)
    server.start()
    assert httpx.get(server.url).text == "hello"
    assert server.failure() is None
    server.stop(5.0)
    server.stop(5.0)
    assert server.failure() is None
    with pytest.raises(httpx.TransportError):
        httpx.get(server.url)


def test_a_small_answer_waits_for_no_acknowledgement() -> None:
    """Where the listener names its protocol, asyncio turns Nagle's algorithm off on what it accepts."""
    with bound("127.0.0.1", 0) as listener:
        listener.listen()
        with socket.create_connection(listener.getsockname()):
            accepted, _ = listener.accept()
            with accepted:
                assert accepted.proto == socket.IPPROTO_TCP


def test_with_a_certificate_it_speaks_https_and_nothing_else(tmp_path: Path) -> None:
    certificate, key = tmp_path / "site.pem", tmp_path / "key.pem"
    name = ["-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1"]
    kind = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    files = ["-keyout", str(key), "-out", str(certificate)]
    subprocess.run(["openssl", "req", "-x509", *kind, *files, *name], check=True, capture_output=True)
    server = WebServer(Starlette(routes=[Route("/", hello)]), "127.0.0.1", 0, certificate, key)
    server.start()
    assert server.url.startswith("https://127.0.0.1:")
    trusting = ssl.create_default_context(cafile=certificate)
    assert httpx.get(server.url, verify=trusting).text == "hello"
    with pytest.raises(httpx.TransportError):
        httpx.get(server.url.replace("https", "http"))
    server.stop(5.0)
    key.write_text("no key")
    with pytest.raises(ConfigurationError, match=r"its key .* can't be used"):
        WebServer(Starlette(), "127.0.0.1", 0, certificate, key)


def test_a_port_that_is_taken_is_one_clear_error() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConfigurationError, match=rf"can't listen on 127\.0\.0\.1 port {port}.*Give another port"):
            WebServer(Starlette(), "127.0.0.1", port)


def test_an_application_that_does_not_start_is_an_error_and_leaves_no_thread() -> None:
    @asynccontextmanager
    async def broken(_app: Starlette) -> AsyncIterator[None]:
        raise RuntimeError("no templates")
        yield

    server = WebServer(Starlette(lifespan=broken), "127.0.0.1", 0)
    with pytest.raises(ConfigurationError, match="the dashboard did not start"):
        server.start()


def test_a_server_that_ends_by_itself_is_ill() -> None:
    server = WebServer(Starlette(routes=[Route("/", hello)]), "127.0.0.1", 0)
    server.start()
    server._server.should_exit = True  # as if the loop had been ended from within
    wait_until(lambda: server.failure() is not None, "it is ill")
    assert server.failure() == "the server's thread has ended (no reason given)"
    server.stop(5.0)
