"""The rush after a connect, by a clock that the test moves."""

from __future__ import annotations

import pytest

from monitord.ingest.mqtt.rush import LEAST_S, MOST_S, PAUSE_S, Rush


def test_without_a_kept_session_nothing_has_waited() -> None:
    assert not Rush().delayed(100.0)


def test_what_comes_at_once_has_waited_and_what_comes_after_a_pause_has_not() -> None:
    rush = Rush()
    rush.begin(100.0)
    assert rush.delayed(100.1)
    assert rush.delayed(104.0)  # a pause this early may be the broker's
    assert rush.delayed(105.9)  # 1.9 s
    assert not rush.delayed(108.0)  # 2.1 s
    assert not rush.delayed(108.1)  # and then it is over


def test_nothing_waiting_is_over_after_a_few_seconds() -> None:
    rush = Rush()
    rush.begin(100.0)
    assert not rush.delayed(105.1)


def test_a_rush_that_does_not_end_is_the_traffic_of_a_busy_site() -> None:
    rush = Rush()
    rush.begin(0.0)
    asked = [rush.delayed(float(at)) for at in range(400)]
    assert asked.index(False) == 300
    assert not any(asked[300:])


def test_another_connect_begins_again() -> None:
    rush = Rush()
    rush.begin(0.0)
    assert not rush.delayed(10.0)
    rush.begin(20.0)
    assert rush.delayed(20.5)


def test_the_limits_are_in_order() -> None:
    assert PAUSE_S < LEAST_S < MOST_S == pytest.approx(300.0)
