"""The drying drive: a machine that stops is noticed within hours; weather and heating that do as much are not it."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from analysis_series import OUTDOOR, ROOM, START_S, blanked, daily, hours, location, noise, track_at, until

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.wetting.room_moisture import room_more_humid
from monitord.model.assessments import Finding
from monitord.model.facts import Truth
from monitord.model.series import HOUR_S, Array
from monitord.model.site.equipment import Equipment
from monitord.physics.moist_air import saturation_vapour_pressure

DAYS = 18.0
H = hours(DAYS)
N = len(H)
STOPS_H = 12 * 24 + 5


def room(t: Array | float, vp: Array | float) -> HourlySeries:
    return track_at(location(ROOM), t, np.broadcast_to(vp, N) + noise(N, 10.0, 1), DAYS)


def outdoor(vp: Array | float, t: Array | float = 5.0) -> HourlySeries:
    return track_at(location(OUTDOOR), t, np.broadcast_to(vp, N) + noise(N, 8.0, 2), DAYS)


def judged(inside: HourlySeries, outside: HourlySeries | None, hour: int, *machines: Equipment) -> Finding:
    outside = None if outside is None else until(outside, hour)
    found = room_more_humid(until(inside, hour), outside, START_S + hour * HOUR_S, machines)
    assert found is not None
    return found


def told(
    inside: HourlySeries,
    outside: HourlySeries | None,
    first: int = 4 * 24,
    last: int = N,
    *machines: Equipment,
    every: int = 2,
) -> int | None:
    hours_asked = range(first, last + 1, every)
    return next((h for h in hours_asked if judged(inside, outside, h, *machines).truth is Truth.TRUE), None)


def machine(to_h: float | None, from_h: float = 0.0, kind: str = "dehumidifier") -> Equipment:
    """A machine entered in the room, from one hour of the record to another."""
    at = [None if h is None else datetime.fromtimestamp(START_S + h * HOUR_S, UTC) for h in (from_h, to_h)]
    return Equipment.model_validate({"id": f"m{from_h}", "kind": kind, "location_id": ROOM, "from": at[0], "to": at[1]})


def after_stop(by_pa: float, over_h: float) -> Array:
    return np.asarray(by_pa * (1.0 - np.exp(-np.clip(H - STOPS_H, 0.0, None) / over_h)))


def aired(weather: Array, hours_late: float) -> Array:
    """A room that is aired follows the outdoor air as a first-order lag."""
    inside = weather.copy()
    for k in range(1, len(inside)):
        inside[k] = inside[k - 1] + (1.0 - np.exp(-1.0 / hours_late)) * (weather[k] - inside[k - 1])
    return inside


HELD = 950.0 + 25.0 * daily(H)
WARM = 21.0 + 0.8 * daily(H)


@pytest.mark.parametrize(("by_pa", "over_h"), [(500.0, 4.0), (800.0, 8.0)])
@pytest.mark.parametrize("outside", [True, False])
def test_a_dehumidifier_that_stops_is_noticed_within_twelve_hours(by_pa: float, over_h: float, outside: bool) -> None:
    inside, weather = room(WARM, HELD + after_stop(by_pa, over_h)), outdoor(600.0) if outside else None
    assert told(inside, weather, last=STOPS_H) is None
    at = told(inside, weather, STOPS_H, STOPS_H + 24, every=1)
    assert at is not None
    assert at - STOPS_H <= 12


def test_the_finding_says_what_drying_potential_there_was_and_is() -> None:
    found = judged(room(WARM, HELD + after_stop(700.0, 6.0)), None, STOPS_H + 30)
    saturation = float(saturation_vapour_pressure(21.0))
    assert found.facts.value is not None
    assert found.facts.before is not None
    assert found.facts.value.value == pytest.approx(0.9 * saturation - 1640.0, abs=60.0)
    assert found.facts.before.value == pytest.approx(0.9 * saturation - 950.0, abs=40.0)
    assert (found.kind, found.location, found.truth) == ("drive_lost", "room_air", Truth.TRUE)
    assert found.since is not None
    assert 0 <= found.since.timestamp() - START_S - STOPS_H * HOUR_S <= 12 * HOUR_S


def test_that_the_new_level_is_usual_by_now_closes_nothing() -> None:
    """A damp hall at 92 %: the vapour-pressure deficit was 650 Pa and is 160 Pa, for a fortnight."""
    steady = 12.0 + 0.3 * daily(H)
    inside = room(steady, 600.0 + after_stop(490.0, 8.0))
    assert judged(inside, outdoor(600.0), STOPS_H + 18).truth is Truth.TRUE
    assert judged(inside, outdoor(600.0), N).truth is Truth.TRUE


def test_heating_that_fails_takes_the_drying_potential_away_though_vapour_falls() -> None:
    cooled = np.clip((H - STOPS_H) / 6.0, 0.0, 1.0)
    inside = room(20.0 - 13.0 * cooled, 1100.0 - 220.0 * cooled)
    at = told(inside, outdoor(500.0), STOPS_H, STOPS_H + 24)
    assert at is not None
    assert at - STOPS_H <= 14


def test_once_the_machine_runs_again_it_is_over() -> None:
    pulse = after_stop(700.0, 6.0) * np.exp(-np.clip(H - STOPS_H - 40, 0.0, None) / 6.0)
    inside = room(WARM, HELD + pulse)
    assert judged(inside, None, STOPS_H + 36).truth is Truth.TRUE
    assert judged(inside, None, STOPS_H + 72).truth is Truth.FALSE


def test_humid_weather_that_brings_as_much_is_not_the_machines_fault() -> None:
    fronts = 60.0 * np.sin(H / 14.0)  # by these it has learned how the room follows
    weather = 600.0 + fronts + 500.0 / (1.0 + np.exp(-(H - STOPS_H) / 6.0))
    lagged = aired(weather, 5.0)
    assert told(room(WARM, 350.0 + lagged), outdoor(weather, 15.0)) is None
    assert told(room(WARM, 350.0 + lagged), outdoor(1200.0, 15.0)) is not None  # without the weather to explain it


@pytest.mark.parametrize(("outside_pa", "at_least_pa"), [(1200.0, 320.0), (600.0, 420.0)])
def test_in_a_room_that_nothing_dries_a_rise_must_stand_out_farther(outside_pa: float, at_least_pa: float) -> None:
    """Restless air, as people make it; a room that is dried holds less vapour than the outdoor air."""
    restless, weather = HELD + aired(noise(N, 250.0, 5), 8.0), outdoor(outside_pa, 15.0)
    found = [told(room(WARM, restless + after_stop(by, 6.0)), weather, STOPS_H, STOPS_H + 48) for by in (320.0, 420.0)]
    assert [at is not None for at in found] == [by >= at_least_pa for by in (320.0, 420.0)]


@pytest.mark.parametrize(("entered", "lost"), [(machine(None), True), (machine(None, kind="heater"), False)])
def test_a_dehumidifier_that_the_job_names_dries_its_room_whatever_the_outdoor_air(
    entered: Equipment, lost: bool
) -> None:
    """In winter, or without an outdoor probe, a room that a machine holds is not seen to be dried."""
    restless = HELD + aired(noise(N, 250.0, 5), 8.0) + after_stop(320.0, 6.0)
    for outside in (outdoor(600.0, 15.0), None):
        assert (told(room(WARM, restless), outside, STOPS_H, STOPS_H + 48, entered) is not None) is lost


def test_a_dehumidifier_that_is_known_to_be_taken_out_is_no_surprise() -> None:
    inside = room(WARM, HELD + after_stop(700.0, 6.0))
    assert told(inside, None, STOPS_H, N, machine(None)) is not None
    assert told(inside, None, STOPS_H, N, machine(STOPS_H)) is None
    found = judged(inside, None, STOPS_H + 30, machine(STOPS_H))
    assert found.facts.dehumidifier_out_at == machine(STOPS_H).to_time
    moved = (machine(STOPS_H), machine(None, from_h=STOPS_H + 3))  # another stands there three hours later
    assert told(inside, None, STOPS_H, N, *moved) is not None


def test_a_loss_that_stands_ends_when_its_machine_is_known_to_be_taken_out() -> None:
    inside, out_h = room(WARM, HELD + after_stop(700.0, 6.0)), STOPS_H + 40
    assert judged(inside, None, out_h, machine(out_h)).truth is Truth.TRUE
    after = judged(inside, None, out_h + 2, machine(out_h))
    assert (after.truth, after.facts.dehumidifier_out_at) == (Truth.FALSE, machine(out_h).to_time)


@pytest.mark.parametrize(("days_before", "lost"), [(9, True), (8, False)])
def test_after_eight_and_a_half_days_a_room_is_judged_by_what_is_usual_without_its_machine(
    days_before: int, lost: bool
) -> None:
    """The usual is the mean of five days that ended half a day ago; three more are for the room to come to it."""
    inside = room(WARM, HELD + after_stop(700.0, 6.0))
    taken = machine(STOPS_H - 24 * days_before)
    assert (told(inside, None, STOPS_H, STOPS_H + 11, taken) is not None) is lost


@pytest.mark.parametrize(("outside_pa", "lost"), [(1300.0, True), (600.0, False)])
def test_vapour_that_creeps_up_for_days_is_a_loss_where_something_dried_the_room(outside_pa: float, lost: bool) -> None:
    creeping = HELD + aired(noise(N, 250.0, 5), 8.0) + np.clip(5.0 * (H - STOPS_H), 0.0, 700.0)
    assert (told(room(WARM, creeping), outdoor(outside_pa, 15.0), STOPS_H) is not None) is lost


def test_heating_that_goes_off_makes_air_more_humid_but_no_wetter() -> None:
    t = 21.0 - 6.0 / (1.0 + np.exp(-(H - STOPS_H) / 6.0))
    assert told(room(t, 950.0), outdoor(600.0)) is None


def test_a_room_that_people_use_by_day_goes_in_its_usual_band() -> None:
    busy = 220.0 * np.clip(daily(H, 19.0), 0.0, None) ** 3
    assert told(room(WARM, 900.0 + busy), outdoor(600.0)) is None


def test_of_a_room_that_is_not_heard_it_is_not_known() -> None:
    inside = room(WARM, HELD + after_stop(700.0, 6.0))
    assert judged(blanked(inside, STOPS_H - 3), None, STOPS_H + 12).truth is Truth.UNKNOWN


def test_nothing_is_said_in_the_first_two_days() -> None:
    assert room_more_humid(until(room(WARM, HELD), 47), None, START_S + 47 * HOUR_S) is None
