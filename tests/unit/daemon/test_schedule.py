"""Periodic tasks: they go on after a failure, never run twice at once, and are waited for at the end."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import pytest
from brokers import wait_until
from clocks import AcceleratedClock

from monitord.clock import SystemClock
from monitord.daemon.schedule import Scheduler, Task
from monitord.errors import StoreError


def test_a_task_that_fails_is_named_in_the_log_and_runs_again(caplog: pytest.LogCaptureFixture) -> None:
    scheduler, runs, twice = Scheduler(SystemClock()), [], threading.Event()

    def work() -> None:
        runs.append(1)
        if len(runs) == 1:
            raise StoreError("the database refused", remedy="Free some space")
        if len(runs) == 2:
            raise ZeroDivisionError
        twice.set()

    scheduler.add(Task("assess", work, 0.2))
    scheduler.start()
    assert twice.wait(5.0)
    scheduler.stop(5.0)
    assert "assess: the database refused. Free some space" in caplog.text
    assert "assess failed; it runs again at its next time" in caplog.text


def test_a_task_that_takes_long_is_not_started_beside_itself_and_is_waited_for() -> None:
    scheduler, lock, overlaps, done = Scheduler(SystemClock()), threading.Lock(), [], []
    began, beside = threading.Event(), threading.Event()

    def work() -> None:
        began.set()
        if not lock.acquire(blocking=False):
            overlaps.append(1)
            beside.set()
            return
        beside.wait(0.7)  # longer than its interval, three times over
        done.append(1)
        lock.release()

    scheduler.add(Task("assess", work, 0.2))
    scheduler.start()
    assert began.wait(5.0)
    scheduler.stop(5.0)
    assert len(done) >= 1
    began.clear()
    assert not began.wait(0.4), "a task was started after the stop"
    assert not overlaps
    assert scheduler.failure() is None


def test_a_task_that_never_ends_makes_the_stop_fail_in_time() -> None:
    scheduler, began, release = Scheduler(SystemClock()), threading.Event(), threading.Event()

    def work() -> None:
        began.set()
        release.wait(30)

    scheduler.add(Task("hangs", work, 0.2))
    scheduler.start()
    assert began.wait(5.0)
    with pytest.raises(TimeoutError, match="still running"):
        scheduler.stop(0.2)
    release.set()


def test_intervals_follow_an_accelerated_clock() -> None:
    clock = AcceleratedClock(datetime(2025, 1, 1, tzinfo=UTC), factor=14_400)
    scheduler, runs, enough = Scheduler(clock), [], threading.Event()

    def work() -> None:
        runs.append(1)
        if len(runs) == 3:
            enough.set()

    scheduler.add(Task("each hour", work, 3600.0))
    scheduler.start()
    assert enough.wait(8.0), "three simulated hours take three quarters of a second at this factor"
    scheduler.stop(5.0)


def test_a_task_that_stands_still_is_named_and_forgotten_once_it_moves() -> None:
    scheduler, release, began = Scheduler(SystemClock()), threading.Event(), threading.Event()

    def work() -> None:
        began.set()
        release.wait(30)

    scheduler.add(Task("assess", work, 0.2))
    scheduler.add(Task("tidy", lambda: None, 86_400.0))
    scheduler.start()
    assert scheduler.hang(0.3) is None
    assert began.wait(5.0)
    wait_until(lambda: str(scheduler.hang(0.3)).startswith("assess has not moved for "), "it is named")
    assert scheduler.hang(30.0) is None
    scheduler.moved("assess")
    assert scheduler.hang(0.3) is None, "a long round that says that it gets on does not hang"
    release.set()
    scheduler.stop(5.0)
    assert scheduler.hang(0.0) is None, "what was stopped may stand still"


def test_tasks_that_wait_for_a_free_thread_count_as_hung_too() -> None:
    scheduler, release = Scheduler(SystemClock()), threading.Event()
    for number in range(4):
        scheduler.add(Task(f"stuck {number}", lambda: release.wait(30), 0.2))
    scheduler.add(Task("tell people", lambda: None, 0.6))
    scheduler.start()

    def hung() -> str:
        for number in range(4):
            scheduler.moved(f"stuck {number}")
        return str(scheduler.hang(0.3))

    wait_until(lambda: hung().startswith("tell people has not moved for "), "the one that waits is named")
    release.set()
    scheduler.stop(5.0)
