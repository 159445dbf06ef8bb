"""Spot readings: what is possible on each scale, and goals that they decide."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.site.spots import SCALES, Spot, SpotGoal, SpotKind, assess_spots

T0 = datetime(2026, 1, 5, 8, tzinfo=UTC)
HOUR = timedelta(hours=1)
METER = "meter no. 3"


def spot(value: float, at_h: float = 0.0, kind: str = "plaster_pct", **more: object) -> Spot:
    values = {"location_id": "wall", "at": T0 + at_h * HOUR, "kind": kind, "value": value, "instrument": METER}
    return Spot.model_validate(values | more)


def goal(limit: float, control: str | None = None) -> SpotGoal:
    return SpotGoal(kind=SpotKind.PLASTER, limit=limit, control=control)


@pytest.mark.parametrize("kind", list(SpotKind))
def test_each_scale_takes_its_ends_and_nothing_beyond(kind: SpotKind) -> None:
    scale = SCALES[kind]
    for value in (scale.low, scale.high):
        assert spot(value, kind=kind.value).value == value
    for value in (scale.low - 0.1, scale.high + 0.1):
        with pytest.raises(ValidationError, match="is not between"):
            spot(value, kind=kind.value)


def test_a_correction_may_not_lead_beyond_the_scale() -> None:
    with pytest.raises(ValidationError, match=r"corrected 100\.5"):
        spot(98.0, kind="relative_humidity_pct", correction=2.5)


@pytest.mark.parametrize(
    ("value", "more", "met", "why"),
    [
        (0.9, {}, True, ""),
        (1.0, {}, True, ""),
        (1.1, {}, False, ""),
        (0.9, {"u": 0.04}, True, ""),
        (0.9, {"u": 0.06}, None, "within_uncertainty"),
        (1.1, {"u": 0.2}, False, ""),
        (0.8, {"correction": 0.3}, False, ""),
    ],
)
def test_a_value_is_held_against_its_limit_with_its_stated_uncertainty(
    value: float, more: dict[str, object], met: bool | None, why: str
) -> None:
    found = assess_spots(goal(1.0), [spot(value, **more)], (), T0 + HOUR)
    assert (found.met, found.why) == (met, why)


@pytest.mark.parametrize(
    ("control", "met", "why"),
    [
        (spot(0.4, 1.0), True, ""),
        (spot(0.2, 1.0), False, ""),
        (spot(0.4, 1.0, instrument="meter no. 4"), None, "other_instrument"),
        (spot(0.4, 25.0), None, "no_control"),
        (spot(0.4, -23.9), True, ""),
        (spot(0.4, 1.0, kind="wme_pct"), None, "no_control"),
    ],
)
def test_a_control_counts_where_one_meter_read_both_within_a_day(control: Spot, met: bool | None, why: str) -> None:
    found = assess_spots(goal(0.5, "dry"), [spot(0.9)], [control], T0 + 48 * HOUR)
    assert (found.met, found.why) == (met, why)


def test_the_newest_reading_counts_and_none_that_lies_ahead() -> None:
    spots = [spot(1.4, 0.0), spot(0.9, 10.0), spot(3.0, 20.0), spot(30.0, 5.0, kind="wme_pct")]
    assert assess_spots(goal(1.0), spots, (), T0 + 15 * HOUR).met is True
    assert assess_spots(goal(1.0), spots, (), T0 + 25 * HOUR).met is False
    assert assess_spots(goal(1.0), spots, (), T0 - HOUR) == (None, None, None, "not_measured")


def test_a_goal_of_temperature_and_a_control_that_is_not_there_are_refused() -> None:
    with pytest.raises(ValidationError, match="no goal of drying"):
        SpotGoal(kind=SpotKind.SURFACE_TEMPERATURE, limit=15.0)
    for control in ("nowhere", "wall"):
        wall = Location(id="wall", kind=LocationKind.MATERIAL, spot_goal=goal(0.5, control))
        with pytest.raises(ValidationError, match="is not another location of this job"):
            JobFile(job="J", start=T0, locations=(wall,))


def test_a_job_judges_its_locations_by_their_own_spots() -> None:
    wall = Location(id="wall", kind=LocationKind.MATERIAL, spot_goal=goal(0.5, "dry"))
    dry = Location(id="dry", kind=LocationKind.MATERIAL)
    beside = spot(0.4).model_copy(update={"location_id": "dry"})
    job = JobFile(job="J", start=T0, locations=(wall, dry), spots=(spot(0.8), beside))
    found = job.spots_against_goal(wall, T0 + HOUR)
    assert found is not None
    assert (found.met, found.control) == (True, beside)
    assert job.spots_against_goal(dry, T0) is None
