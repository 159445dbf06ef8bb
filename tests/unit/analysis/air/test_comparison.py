"""Which readings speak for a location, on which air it is compared, and when a difference is one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from english import ENGLISH
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.air.comparison import Present, airs_of, compare, interpolated, present
from monitord.analysis.series.calibration import Uncertainty
from monitord.model.assessments import Flow
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Calibration, HumidityOver, JobFile, Location, LocationKind, Placement
from monitord.model.series import Hourly, PlacementRecord, Series
from monitord.text.comparisons import comparison_sentence

START = datetime(2026, 3, 2, tzinfo=UTC)
START_S = START.timestamp()
OPTIONS = AnalysisOptions()
WALL = Location(id="wall", kind=LocationKind.CAVITY)
PRESSURE = 101_325.0


def series(first_h: float, hours: float, rh: float = 60.0, t: float = 15.0, step_s: float = 600.0) -> Series:
    n = max(1, int(hours * 3600.0 / step_s))
    time_s = START_S + 3600.0 * first_h + step_s * np.arange(n)
    nothing = np.full(n, np.nan)
    return Series(time_s, np.full(n, t), np.full(n, rh), nothing, nothing, time_s)


def placement(probe: str, first_h: float, hours: float, rh: float = 60.0) -> PlacementRecord:
    placement = Placement(probe=probe, location_id="wall", from_time=START + timedelta(hours=first_h))
    return PlacementRecord(placement, series(first_h, hours, rh), Hourly(), None)


def now_at(
    *placements: PlacementRecord,
    hours: float = 10.0,
    location: Location = WALL,
    excluded: dict[tuple[str, float], np.ndarray] | None = None,
    checks: tuple[Calibration, ...] = (),
) -> Present | None:
    return present(location, placements, checks, excluded or {}, START_S + 3600.0 * hours, OPTIONS)


def air(kind: LocationKind, rh: float, t: float = 20.0, first_h: float = 0.0, hours: float = 6.0) -> Present:
    location = Location(id=kind.value, kind=kind)
    return Present(location, series(first_h, hours, rh, t), Uncertainty(0.15, 1.0), 600.0, HumidityOver.WATER, "p")


def test_the_newest_usable_reading_speaks() -> None:
    found = now_at(placement("a", 0, 6, rh=60.0), placement("b", 0, 4, rh=80.0))
    assert found is not None
    assert (found.probe, found.time_s) == ("a", START_S + 6 * 3600.0 - 600.0)


def test_an_air_probe_settles_for_an_hour_and_a_sleeve_speaks_at_once() -> None:
    assert now_at(placement("a", 0, 0.9)) is None
    sleeve = Location(id="wall", kind=LocationKind.SLAB_SLEEVE, depth_mm=40.0)
    assert now_at(placement("a", 0, 0.9), location=sleeve) is not None


def test_readings_stamped_in_the_future_do_not_speak_yet() -> None:
    found = now_at(placement("a", 0, 12), hours=3.0)
    assert found is not None
    assert found.time_s == START_S + 3 * 3600.0


def test_flagged_readings_do_not_speak() -> None:
    one = placement("a", 0, 6)
    out = np.arange(36) >= 30
    found = now_at(one, excluded={("a", START_S): out})
    assert found is not None
    assert found.time_s == START_S + 5 * 3600.0 - 600.0
    assert now_at(one, excluded={("a", START_S): np.ones(36, dtype=bool)}) is None
    assert now_at() is None


def test_calibrated_values_stay_within_what_air_can_hold() -> None:
    check = Calibration(probe="a", at=START, relative_humidity_correction_pct=20.0)
    found = now_at(placement("a", 0, 6, rh=95.0), checks=(check,))
    assert found is not None
    assert found.series.relative_humidity_pct.max() == 105.0


def test_values_of_another_air_lie_on_the_line_between_its_readings() -> None:
    other = air(LocationKind.ROOM_AIR, 50.0, hours=1.0)
    at = START_S + np.array([-3601.0, -3600.0, 0.0, 150.0, 1500.0, 3000.0, 6600.0, 6601.0])
    found = interpolated(other, at, np.arange(6.0), OPTIONS)
    # heard every ten minutes from 0 to 50 min; an hour away it still counts, a second more not
    assert found == pytest.approx([np.nan, 0.0, 0.0, 0.25, 2.5, 5.0, 5.0, np.nan], nan_ok=True)


def test_an_air_that_was_not_heard_at_the_time_is_not_compared() -> None:
    series, room = air(LocationKind.CAVITY, 80.0, hours=12.0), air(LocationKind.ROOM_AIR, 40.0, hours=6.0)
    found = compare(series, room, "room", PRESSURE, OPTIONS)
    assert found.flow is Flow.UNKNOWN
    assert found.vapour_pressure_difference is None
    assert found.at is None
    assert "room was not read at the same time" in comparison_sentence(ENGLISH, found, "wall", "room")


@settings(max_examples=60)
@given(st.floats(5, 98), st.floats(5, 98), st.floats(0, 35), st.floats(0, 35))
def test_a_difference_is_claimed_only_beyond_two_standard_uncertainties(
    rh: float, other_rh: float, t: float, other_t: float
) -> None:
    series, room = air(LocationKind.CAVITY, rh, t), air(LocationKind.ROOM_AIR, other_rh, other_t)
    found, back = compare(series, room, "room", PRESSURE, OPTIONS), compare(room, series, "room", PRESSURE, OPTIONS)
    difference = found.vapour_pressure_difference
    assert difference is not None
    assert difference.u is not None
    clear = abs(difference.value) > 2.0 * difference.u
    expected = (Flow.OUT_OF if difference.value > 0 else Flow.INTO) if clear else Flow.NO_CLEAR_DIFFERENCE
    assert found.flow is expected
    assert back.flow is {Flow.OUT_OF: Flow.INTO, Flow.INTO: Flow.OUT_OF}.get(expected, expected)
    assert back.vapour_pressure_difference is not None
    assert back.vapour_pressure_difference.value == pytest.approx(-difference.value, abs=1e-9)
    assert back.vapour_pressure_difference.u == pytest.approx(difference.u)


@pytest.mark.parametrize(
    ("rh", "words"),
    [(80.0, "from wall into the room air"), (20.0, "from the room air into wall"), (50.0, "No clear difference")],
)
def test_the_words_tell_which_way_vapour_is_driven(rh: float, words: str) -> None:
    wall = Present(WALL, series(0.0, 6.0, rh, 20.0), Uncertainty(0.15, 1.0), 600.0, HumidityOver.WATER, "p")
    found = compare(wall, air(LocationKind.ROOM_AIR, 50.0), "room", PRESSURE, OPTIONS)
    assert words in comparison_sentence(ENGLISH, found, "wall", "hall")


def test_a_location_is_compared_with_its_room_its_reference_and_the_outdoor_air() -> None:
    room, other = (Location(id=name, kind=LocationKind.ROOM_AIR) for name in ("hall", "bath"))
    yard, dry = Location(id="yard", kind=LocationKind.OUTDOOR_AIR), Location(id="dry", kind=LocationKind.CAVITY)

    def roles(*locations: Location, reference: str | None = None) -> list[tuple[str, str]]:
        wall = Location(id="wall", kind=LocationKind.CAVITY, reference=reference)
        job = JobFile(job="j", start=START, locations=(wall, *locations))
        return [(role, location.id) for role, location in airs_of(job, wall)]

    assert roles(room, yard) == [("room", "hall"), ("outdoors", "yard")]
    assert roles(room, other, yard) == [("outdoors", "yard")]  # two rooms, and nobody said which
    assert roles(room, other, yard, reference="bath") == [("room", "bath"), ("outdoors", "yard")]
    assert roles(room, yard, reference="yard") == [("room", "hall"), ("outdoors", "yard")]
    assert roles(room, dry, reference="dry") == [("room", "hall"), ("reference", "dry")]
    assert roles() == []


def test_the_last_hours_of_what_is_present() -> None:
    found = air(LocationKind.ROOM_AIR, 50.0, hours=6.0).last(3600.0)
    assert len(found.series) == 7
    assert found.time_s == START_S + 6 * 3600.0 - 600.0
