"""The backlog after a connect, by a clock that the test moves."""

from __future__ import annotations

import pytest

from monitord.ingest.mqtt.connect_backlog import MAX_S, MIN_S, PAUSE_S, ConnectBacklog


def test_without_a_kept_session_nothing_has_waited() -> None:
    assert not ConnectBacklog().delayed(100.0)


def test_what_comes_at_once_has_waited_and_what_comes_after_a_pause_has_not() -> None:
    backlog = ConnectBacklog()
    backlog.begin(100.0)
    assert backlog.delayed(100.1)
    assert backlog.delayed(104.0)  # a pause this early may be the broker's
    assert backlog.delayed(105.9)  # 1.9 s
    assert not backlog.delayed(108.0)  # 2.1 s
    assert not backlog.delayed(108.1)  # and then it is over


def test_nothing_waiting_is_over_after_a_few_seconds() -> None:
    backlog = ConnectBacklog()
    backlog.begin(100.0)
    assert not backlog.delayed(105.1)


def test_a_backlog_that_does_not_end_is_the_traffic_of_a_busy_site() -> None:
    backlog = ConnectBacklog()
    backlog.begin(0.0)
    asked = [backlog.delayed(float(at)) for at in range(400)]
    assert asked.index(False) == 300
    assert not any(asked[300:])


def test_another_connect_begins_again() -> None:
    backlog = ConnectBacklog()
    backlog.begin(0.0)
    assert not backlog.delayed(10.0)
    backlog.begin(20.0)
    assert backlog.delayed(20.5)


def test_the_limits_are_in_order() -> None:
    assert PAUSE_S < MIN_S < MAX_S == pytest.approx(300.0)
