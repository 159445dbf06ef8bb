"""The dashboard's server in a thread of its own, on a socket that is bound before anything else is started."""

from __future__ import annotations

import logging
import socket
import ssl
import threading
import time
from pathlib import Path
from typing import Any

import uvicorn

from monitord.errors import ConfigurationError

_log = logging.getLogger(__name__)
_START_S = 15.0
_GRACE_S = 3
"""How long open requests may take at the end. [s]"""


class WebServer:
    """Serves an ASGI application from `start` to `stop`.

    Parameters
    ----------
    listener : what `bound` gave, where the port was taken before the application was made.
    """

    def __init__(
        self,
        app: Any,
        host: str,
        port: int,
        certificate: Path | None = None,
        key: Path | None = None,
        listener: socket.socket | None = None,
    ) -> None:
        self._socket = bound(host, port, certificate, key) if listener is None else listener
        found, scheme = self._socket.getsockname()[1], "https" if certificate is not None else "http"
        self.url = f"{scheme}://[{host}]:{found}/" if ":" in host else f"{scheme}://{host}:{found}/"
        """Where the dashboard is, with the port that was found if any would do."""
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,  # the application believes the proxies of its settings, and no others
                ssl_certfile=certificate,
                ssl_keyfile=key,
                lifespan="on",
                timeout_graceful_shutdown=_GRACE_S,
            )
        )
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)
        self._failure: BaseException | None = None
        self._stopping = False

    def start(self) -> None:
        """Serve; returns once requests are answered.

        Raises
        ------
        ConfigurationError : the application did not start.
        """
        self._thread.start()
        deadline = time.monotonic() + _START_S
        while not self._server.started and self._thread.is_alive() and time.monotonic() < deadline:
            time.sleep(0.01)
        if not self._server.started:
            self.stop(1.0)
            raise ConfigurationError("the dashboard did not start", where="web", why=self._reason())

    def stop(self, timeout_s: float) -> None:
        """Answer what was asked, and end. Safe to call twice."""
        self._stopping = True
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(max(0.1, timeout_s))
            if self._thread.is_alive():
                self._server.force_exit = True
                self._thread.join(1.0)
        self._socket.close()

    def failure(self) -> str | None:
        """What is wrong with it: its thread has ended although nobody asked."""
        if self._stopping or self._thread.is_alive():
            return None
        return f"the server's thread has ended ({self._reason()})"

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        except BaseException as error:  # SystemExit is uvicorn's way to say that the application did not start
            self._failure = error
            _log.exception("the dashboard's server failed")

    def _reason(self) -> str:
        return "no reason given" if self._failure is None else f"{type(self._failure).__name__}: {self._failure}"


def _check_pair(certificate: Path | None, key: Path | None) -> None:
    if certificate is None or key is None:
        return
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise ConfigurationError(
            f"the certificate {certificate} and its key {key} can't be used",
            where="web.certificate",
            why=str(error),
            remedy="Give two PEM files that belong together and that the user of monitord may read",
        ) from None


def bound(host: str, port: int, certificate: Path | None = None, key: Path | None = None) -> socket.socket:
    """Take a port, on which nothing is answered yet.

    Raises
    ------
    ConfigurationError : the port is taken, or the certificate and its key can't be used.
    """
    _check_pair(certificate, key)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # asyncio turns Nagle's algorithm off where the protocol is named: else each small answer waits 40 ms for an ACK
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise ConfigurationError(
            f"the dashboard can't listen on {host} port {port}",
            where="web.port",
            why=error.strerror or str(error),
            remedy="Give another port, or 0 for any free one; another daemon may be running",
        ) from None
    return listener
