"""From hours of detection to an event: when it began, from which level, and whether it is over."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.wetting.events import Event, hour_of, newest_event
from monitord.model.series import Array

N = 300
USUAL = {"apart_h": 48, "back_share": 0.4, "hold_h": 120, "min_fall": 1.0, "min_rise": 2.0}


def step(at: int, by: float, base: float = 60.0) -> Array:
    return base + by * (np.arange(N) >= at)


def event(hits: list[int] | range, level: Array, **changed: float) -> Event | None:
    where = np.zeros(len(level), dtype=bool)
    where[list(hits)] = True
    return newest_event(where, level, **(USUAL | changed))  # type: ignore[arg-type]


def test_without_a_hit_there_is_no_event() -> None:
    assert event([], step(200, 8.0)) is None


def test_an_event_begins_at_the_first_of_hits_that_belong_together() -> None:
    found = event([150, 200, 203, 240], step(200, 8.0))
    assert found is not None
    assert found.began == 200  # 150 lies more than 48 h before, 240 less than that after
    assert event([150, 200, 203, 240], step(200, 8.0), apart_h=50).began == 150  # type: ignore[union-attr]


def test_it_is_measured_from_the_level_before_it() -> None:
    found = event(range(202, 230), step(200, 8.0))
    assert found is not None
    assert found.active
    assert (found.base, found.now, found.peak) == (pytest.approx(60.0), pytest.approx(68.0), pytest.approx(68.0))


def test_a_rise_too_small_to_matter_is_no_event_yet() -> None:
    assert not event(range(202, 230), step(200, 1.9)).active  # type: ignore[union-attr]
    assert event(range(202, 230), step(200, 2.1)).active  # type: ignore[union-attr]


@pytest.mark.parametrize(("left", "active"), [(0.3, False), (0.5, True)])
def test_it_is_over_when_less_than_the_stated_share_of_the_rise_is_left(left: float, active: bool) -> None:
    level = step(200, 8.0)
    level[285:] = 60.0 + 8.0 * left
    found = event(range(202, 230), level, min_fall=1e9)
    assert found is not None
    assert found.active is active


def test_once_over_it_does_not_come_back_without_a_new_hit() -> None:
    level = step(200, 8.0)
    level[240:260] = 60.0
    found = event(range(202, 230), level, min_fall=1e9)
    assert found is not None
    assert not found.active
    assert event([*range(202, 230), 262], level, min_fall=1e9).active  # type: ignore[union-attr]


def test_it_is_over_when_the_level_has_fallen_for_a_day_and_nothing_new_came() -> None:
    level = step(200, 8.0)
    level[220:] -= np.linspace(0.0, 2.5, N - 220)  # still two thirds of the rise left
    assert not event(range(202, 230), level).active  # type: ignore[union-attr]
    assert event([*range(202, 230), N - 3], level, apart_h=80).active  # type: ignore[union-attr]


def test_after_its_hold_time_the_new_level_is_the_usual_one() -> None:
    assert event(range(150, 179), step(150, 8.0)) is None
    assert event(range(150, 181), step(150, 8.0)) is not None


def test_a_level_that_is_not_known_holds_the_event() -> None:
    level = step(200, 8.0)
    level[205:] = np.nan
    found = event(range(202, 230), level)
    assert found is not None
    assert found.active
    level[:205] = np.nan
    level[250:] = 61.0  # nothing known before: no base to have come back to
    assert event(range(202, 230), level).active  # type: ignore[union-attr]


def test_an_hour_is_named_by_its_start() -> None:
    assert hour_of(np.array([7200.0, 10_800.0]), 3) == 7200.0 + 3 * 3600.0


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(0, N - 1), min_size=1, max_size=40), st.integers(0, 10_000))
def test_it_begins_at_a_hit_and_its_peak_is_never_under_its_level(hits: list[int], seed: int) -> None:
    level = 60.0 + np.cumsum(np.random.default_rng(seed).normal(0.0, 0.5, N))
    found = event(hits, level)
    if found is not None:
        assert found.began in hits
        assert found.peak >= found.now
        assert N - 1 - max(hits) <= USUAL["hold_h"]
