"""Stopping what was started: in reverse, whatever fails, within a time, and once."""

from __future__ import annotations

import logging
import threading
from types import SimpleNamespace

import pytest

from monitord.daemon.resources import Resources


def test_parts_are_stopped_newest_first_and_only_once() -> None:
    parts, order = Resources(), []
    for name in ("database", "web", "ingest"):
        parts.add(name, lambda _left, name=name: order.append(name))
    assert parts.stop(5.0)
    assert parts.stop(5.0)
    assert order == ["ingest", "web", "database"]


def test_a_part_that_fails_keeps_no_other_from_being_stopped(caplog: pytest.LogCaptureFixture) -> None:
    parts, stopped = Resources(), []
    parts.add("database", stopped.append)

    def fail(_left: float) -> None:
        raise OSError("socket gone")

    parts.add("web", fail)
    assert not parts.stop(5.0)
    assert len(stopped) == 1
    assert "web failed while it was stopped: socket gone" in caplog.text


def test_a_part_that_hangs_is_left_behind_when_its_time_is_over(caplog: pytest.LogCaptureFixture) -> None:
    parts, release, stopped = Resources(), threading.Event(), []
    parts.add("database", stopped.append)
    parts.add("ingest", lambda _left: release.wait(30))
    with caplog.at_level(logging.ERROR):
        assert not parts.stop(0.3)
    assert len(stopped) == 1
    assert "ingest did not stop in time" in caplog.text
    release.set()


def test_each_part_is_told_how_much_time_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    parts, lefts, now = Resources(), [], [100.0]
    monkeypatch.setattr("monitord.daemon.resources.time", SimpleNamespace(monotonic=lambda: now[0]))

    def takes_a_while(left: float) -> None:
        lefts.append(left)
        now[0] += 0.5

    parts.add("database", lefts.append)
    parts.add("ingest", takes_a_while)
    parts.stop(3.0)
    assert lefts == [3.0, 2.5]


def test_the_first_part_that_is_ill_is_named() -> None:
    parts, health = Resources(), {"web": None}
    parts.add("database", lambda _left: None)
    parts.add("web", lambda _left: None, lambda: health["web"])
    assert parts.failure() is None
    health["web"] = "its thread has ended"
    assert parts.failure() == "web: its thread has ended"
