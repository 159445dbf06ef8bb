"""Two probes at one location: what they differ by, whether that is within accuracy, what it does to the series."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from analysis_series import roll_up

from monitord.analysis.series.co_located import CoLocated, co_located, disagreement_finding, widened
from monitord.analysis.series.hourly_series import build_hourly_series
from monitord.model.facts import Truth
from monitord.model.jobs import Accuracy, Location, LocationKind, Placement
from monitord.model.series import HOUR_S, PlacementRecord, Series

START = datetime(2026, 3, 2, tzinfo=UTC)
START_S = START.timestamp()
WALL = Location(id="wall", kind=LocationKind.CAVITY)
DAYS = 5


def placement(
    probe: str, rh: float, t: float = 15.0, first_h: float = 0.0, last_h: float | None = None, limit: float = 2.0
) -> PlacementRecord:
    begin = START + timedelta(hours=first_h)
    time_s = np.arange(begin.timestamp(), START_S + (last_h or 24 * DAYS) * HOUR_S, 600.0)
    nothing = np.full(len(time_s), np.nan)
    series = Series(time_s, np.full(len(time_s), t), np.full(len(time_s), rh), nothing, nothing, time_s)
    placed = Placement(
        probe=probe,
        location_id="wall",
        from_time=begin,
        to_time=None if last_h is None else START + timedelta(hours=last_h),
        accuracy=Accuracy(relative_humidity_pct=limit, temperature_c=0.3),
    )
    return PlacementRecord(placed, series, roll_up(series), None)


def pair(*placements: PlacementRecord, hours: float = 24 * DAYS) -> CoLocated | None:
    return co_located(WALL, placements, (), {}, START_S + hours * HOUR_S, 3600.0)


def test_probes_that_differ_by_19_percent_for_days_disagree_and_it_is_said_which_counts() -> None:
    found = pair(placement("a", 55.0), placement("b", 74.0, first_h=1.0))
    assert found is not None
    assert (found.counts, found.other) == ("a", "b")
    assert found.difference_pct == pytest.approx(19.0, abs=0.01)
    # JCGM 100: two limits of 2 % RH taken as rectangular, and 0.3 K each at the slope of saturation, by hand
    by_hand = np.sqrt(2.0) * np.hypot(2.0, 55.0 * 0.0644 * 0.3) / np.sqrt(3.0)
    assert found.u_pct == pytest.approx(by_hand, rel=0.03)
    assert found.disagree(2.0)


@pytest.mark.parametrize(("other", "disagree"), [(57.0, False), (58.5, False), (60.0, True)])
def test_what_their_accuracies_allow_is_no_disagreement(other: float, disagree: bool) -> None:
    found = pair(placement("a", 55.0), placement("b", other))
    assert found is not None
    assert found.disagree(2.0) is disagree


def test_the_same_vapour_at_another_temperature_is_no_disagreement() -> None:
    """One sits a centimetre nearer the cold: 15 °C and 60 % RH hold what 14 °C and 64 % do."""
    found = pair(placement("a", 60.0), placement("b", 64.0, t=14.0))
    assert found is not None
    assert abs(found.difference_pct) < 0.5


def test_the_surer_one_counts() -> None:
    found = pair(placement("a", 55.0), placement("b", 56.0, first_h=30.0, limit=1.0))
    assert found is not None
    assert found.counts == "b"


def test_one_probe_after_another_or_hardly_together_is_no_pair() -> None:
    assert pair(placement("a", 55.0)) is None
    assert pair(placement("a", 55.0, last_h=60.0), placement("b", 74.0, first_h=40.0)) is None  # it has gone
    assert pair(placement("a", 55.0), placement("b", 74.0, first_h=24 * DAYS - 10.0)) is None


def test_while_they_disagree_the_level_is_known_to_half_of_it_only() -> None:
    both = placement("a", 55.0), placement("b", 74.0)
    series = build_hourly_series(WALL, both, (), {}, START_S, START_S + 24 * DAYS * HOUR_S, 3600.0)
    assert widened(series, pair(*both), 2.0).uncertainty.relative_humidity_pct == pytest.approx(9.5, abs=0.01)
    assert widened(series, pair(placement("a", 55.0), placement("b", 56.0)), 2.0) is series
    assert widened(series, None, 2.0) is series


def test_the_finding_names_both_and_which_counts() -> None:
    found = pair(placement("a", 55.0), placement("b", 74.0))
    assert found is not None
    told = disagreement_finding(found, WALL, START_S, 2.0)
    assert (told.truth, told.location, told.facts.counting_probe, told.facts.other_probe) == (
        Truth.TRUE,
        "wall",
        "a",
        "b",
    )
    assert told.facts.value is not None
    assert told.facts.value.value == pytest.approx(19.0, abs=0.01)
    close = pair(placement("a", 55.0), placement("b", 56.0))
    assert close is not None
    assert disagreement_finding(close, WALL, START_S, 2.0).truth is Truth.FALSE
