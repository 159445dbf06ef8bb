"""The embedded broker: for trying out, the demo and tests, on a machine without one.

It runs as a child process that ends with this one, and listens on loopback only. It speaks MQTT 3.1.1 and keeps
sessions in memory: what waits there for a daemon that is away is lost when it ends. A firm's readings go through
a broker of its own that writes to disk.
"""

from __future__ import annotations

import socket
from types import TracebackType
from typing import Self

from iotcore import Broker

from monitord.errors import BrokerError
from monitord.model.config.broker import BrokerSettings

LOOPBACK = "127.0.0.1"
_PAYLOAD_BYTES = 2**20
"""Room for a backlog; the broker's own default of 20 kB drops the connection of a probe that catches up."""


class EmbeddedBroker:
    """A broker on loopback, from `start` (or `with`) to `stop`.

    Parameters
    ----------
    port : TCP port; 0 takes a free one.
    """

    def __init__(self, port: int = 0) -> None:
        self.port = port or free_port()
        self._broker: Broker | None = None

    def start(self) -> Self:
        """Start it; returns when it accepts connections.

        Raises
        ------
        BrokerError : the port is taken, or the broker does not come up.
        """
        where = f"{LOOPBACK}:{self.port}"
        try:
            broker = Broker(port=self.port, listen=LOOPBACK, max_payload_size=_PAYLOAD_BYTES)
            broker.start()
        except (OSError, RuntimeError) as error:
            raise BrokerError(
                "the embedded broker does not start",
                where=where,
                why=str(error),
                remedy="Choose another port, or let it take a free one",
            ) from error
        self._broker = broker
        return self

    def stop(self) -> None:
        """End it; safe to call twice."""
        if self._broker is not None:
            self._broker.stop()
            self._broker = None

    def settings(self, client_id: str = "monitord") -> BrokerSettings:
        """What a consumer needs to use it."""
        return BrokerSettings(host=LOOPBACK, port=self.port, protocol="3.1.1", client_id=client_id)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


def free_port() -> int:
    """A TCP port on loopback that is free at this moment."""
    with socket.socket() as sock:
        sock.bind((LOOPBACK, 0))
        port: int = sock.getsockname()[1]
        return port
