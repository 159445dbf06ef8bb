"""What is periodic: each task in turn on its interval, never twice at once, late rather than not at all."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from time import monotonic

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from monitord.clock import Clock, SystemClock
from monitord.errors import MonitordError

_log = logging.getLogger(__name__)
_THREADS = 4
_MIN_PAUSE_S = 0.2
"""With an accelerated clock a task still rests this long, so that it does not take the whole machine. [s]"""


@dataclass(frozen=True)
class Task:
    """Something to be done again and again."""

    name: str
    work: Callable[[], object]
    interval_s: float
    """By the daemon's clock. [s]"""
    at_start: bool = False
    """Whether it also runs once at the start, and not only one interval later."""


class Scheduler:
    """Runs tasks in threads of its own.

    A task that fails is logged and runs again at its next time: what it left undone is still marked in the store.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._scheduler = BackgroundScheduler(
            executors={"default": ThreadPoolExecutor(_THREADS)},
            # A clock that jumps, or a machine that slept, runs a task once and late; by default it would be dropped.
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
            timezone="UTC",
        )
        self._idle = threading.Condition()
        self._running = 0
        self._stopping = False
        self._pauses: dict[str, float] = {}
        self._moved: dict[str, float] = {}

    def add(self, task: Task) -> None:
        """Register a task; its first run is one interval after the start, or at once where it asks for that."""
        pause_s = max(_MIN_PAUSE_S, self._clock.wait_s(task.interval_s))
        self._pauses[task.name] = pause_s
        # one job for both: a second one could run beside the first, and is taken out of a scheduler that has just ended
        first = {"next_run_time": SystemClock().now()} if task.at_start else {}
        self._scheduler.add_job(
            self._run, "interval", seconds=pause_s, args=(task,), id=task.name, name=task.name, **first
        )

    def start(self) -> None:
        """Begin."""
        for name in self._pauses:
            self.moved(name)
        self._scheduler.start()

    def moved(self, name: str) -> None:
        """A task got on with its work: at its start and end by itself, in between where it says so."""
        self._moved[name] = monotonic()

    def hang(self, longest_s: float) -> str | None:
        """A task that has not moved for longer than its interval and `longest_s` [s]; None: all of them do.

        Whether what it does succeeds is another question. A task that waits for a free thread does not move either.
        """
        if self._stopping:
            return None
        for name, at in list(self._moved.items()):
            still_s = monotonic() - at
            if still_s > self._pauses[name] + longest_s:
                return f"{name} has not moved for {still_s:.0f} s"
        return None

    @property
    def stopping(self) -> bool:
        """Whether it was told to stop: a long task ends at its next step then."""
        return self._stopping

    def stop(self, timeout_s: float) -> None:
        """Start no more tasks, and wait for those that run. Safe to call twice."""
        self._stopping = True
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
        with self._idle:
            if not self._idle.wait_for(lambda: self._running == 0, timeout_s):
                raise TimeoutError("a task is still running")

    def failure(self) -> str | None:
        """What is wrong with it: its thread has ended although nobody asked."""
        if self._stopping or not self._scheduler.running:
            return None
        thread = self._scheduler._thread
        return None if thread is not None and thread.is_alive() else "the scheduler's thread has ended"

    def _run(self, task: Task) -> None:
        with self._idle:
            if self._stopping:
                return
            self._running += 1
        self.moved(task.name)
        try:
            task.work()
        except MonitordError as error:
            _log.error("%s: %s", task.name, error.message)
        except Exception:
            _log.exception("%s failed; it runs again at its next time", task.name)
        finally:
            self.moved(task.name)
            with self._idle:
                self._running -= 1
                self._idle.notify_all()
