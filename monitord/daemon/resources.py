"""What must be let go at the end, registered the moment it exists and stopped in reverse order."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Resource:
    name: str
    stop: Callable[[float], object]
    """Takes the seconds that it may use."""
    failure: Callable[[], str | None]


def _well() -> str | None:
    return None


class Resources:
    """A stack of running parts: each can be asked whether it still works, and all are stopped within a time."""

    def __init__(self) -> None:
        self._stack: list[_Resource] = []
        self._lock = threading.Lock()

    def add(self, name: str, stop: Callable[[float], object], failure: Callable[[], str | None] = _well) -> None:
        """Register a part.

        Parameters
        ----------
        stop : Ends it; is given the seconds that it may take, and may raise.
        ailment : What is wrong with it, or None; a part that is ill never gets well by itself.
        """
        with self._lock:
            self._stack.append(_Resource(name, stop, failure))

    def stop_first(self, name: str) -> None:
        """From now on, stop this part before all others that are registered, if it is."""
        with self._lock:
            self._stack.sort(key=lambda part: part.name == name)

    def failure(self) -> str | None:
        """The first part found ill, with what is wrong."""
        with self._lock:
            parts = list(self._stack)
        return next((f"{part.name}: {found}" for part in parts if (found := part.failure()) is not None), None)

    def stop(self, timeout_s: float) -> bool:
        """Stop everything, newest first; True if all of it ended in time and without an error.

        A second call finds nothing left to stop. What one part does wrong keeps no other from being stopped.
        """
        deadline, clean = time.monotonic() + timeout_s, True
        while True:
            with self._lock:
                if not self._stack:
                    return clean
                part = self._stack.pop()
            clean &= _stop_one(part, max(0.0, deadline - time.monotonic()))


def _stop_one(part: _Resource, left_s: float) -> bool:
    """Stop one part in a thread of its own, so that one that hangs does not keep the others waiting."""
    failure: list[BaseException] = []

    def work() -> None:
        try:
            part.stop(left_s)
        except Exception as error:
            failure.append(error)

    worker = threading.Thread(target=work, name=f"stop-{part.name}", daemon=True)
    worker.start()
    worker.join(max(left_s, 0.1))
    if worker.is_alive():
        _log.error("%s did not stop in time and is left behind", part.name)
    elif failure:
        _log.error("%s failed while it was stopped: %s", part.name, failure[0], exc_info=failure[0])
    return not worker.is_alive() and not failure
