"""What the service manager is told of the daemon: ready, alive, stopping (sd_notify(3), sd_watchdog_enabled(3)).

Each word is one datagram to the socket that systemd names in the environment. Without systemd nothing is sent.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from time import monotonic

_log = logging.getLogger(__name__)
_MICROSECONDS = 1_000_000


@dataclass
class ServiceManager:
    """The service manager that started this process, if one did.

    Parameters
    ----------
    address : its socket, a path or `@` and an abstract name; None: nobody listens.
    watchdog_s : without a sign of life for this long it kills and restarts us; None: it does not. [s]
    """

    address: str | None = None
    watchdog_s: float | None = None
    _next_ping: float = field(default=0.0, init=False)
    _failed: bool = field(default=False, init=False)

    @classmethod
    def of_environment(cls, environment: Mapping[str, str], pid: int | None = None) -> ServiceManager:
        """What the environment says; the watchdog counts only where it is meant for this process."""
        pid = os.getpid() if pid is None else pid
        address = environment.get("NOTIFY_SOCKET") or None
        if address is not None and address[0] not in "/@":  # sd_notify(3): anything else is not for us
            _log.warning("NOTIFY_SOCKET %r is no Unix socket; the service manager is told nothing", address)
            address = None
        usec, meant_for = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", str(pid))
        wanted = usec.isascii() and usec.isdigit() and int(usec) > 0 and meant_for == str(pid)
        return cls(address, int(usec) / _MICROSECONDS if wanted else None)

    def ready(self, status: str) -> None:
        """The start is over: everything runs."""
        self._send(f"READY=1\nSTATUS={status}\nMAINPID={os.getpid()}")

    def alive(self, hang: str | None) -> None:
        """Give a sign of life where one is due; call it often.

        Parameters
        ----------
        hang : what no longer moves, or None. While something hangs no sign is given, so that we are restarted.
        """
        if self.watchdog_s is None or monotonic() < self._next_ping:
            return
        self._next_ping = monotonic() + self.watchdog_s / 2  # half of it, as sd_watchdog_enabled(3) recommends
        self._send("WATCHDOG=1" if hang is None else f"STATUS=hangs: {hang}")

    def stopping(self) -> None:
        """The end has begun."""
        self._send("STOPPING=1")

    def _send(self, words: str) -> None:
        if self.address is None:
            return
        address = "\0" + self.address[1:] if self.address.startswith("@") else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as there:
                there.setblocking(False)  # a manager that does not read must not hold us up
                there.sendto(words.encode(), address)
        except OSError as error:
            if not self._failed:
                _log.warning("the service manager at %s can't be told anything: %s", self.address, error)
            self._failed = True
        else:
            self._failed = False
