"""Quality: each fault is flagged on a series that has it, and not on its close cousins from healthy probes.

The limits follow the World Meteorological Organization's checks for automatic stations (Zahumenský 2004; WMO-No. 8,
vol. V), whose persistence check a healthy probe in concrete fails; what differs for enclosed places is our choice.
The series here are made up: they show what a rule is for, not how often it is right.
"""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import (
    CAVITY,
    OUTDOOR,
    ROOM,
    SLEEVE,
    START_S,
    STEP_S,
    VOID,
    daily,
    end_of,
    house,
    in_steps,
    kinds,
    location,
    noise,
    placement,
    readings,
    times,
    track,
)

from monitord.analysis.probes.quality import (
    FAULTS,
    PlacementQuality,
    assess_placement,
    fault_finding,
    flags_of,
    recent_out,
    without_common_drift,
)
from monitord.analysis.probes.quality_checks import clock_offset_s, out_of_range, white_noise
from monitord.analysis.probes.quality_checks import spikes as lone_values
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.model.facts import Fault, FaultReason, Truth
from monitord.model.jobs import Location, LocationKind
from monitord.model.series import HOUR_S, Array, PlacementRecord, Series
from monitord.text.terms import FAULTS as TERMS

ROOM_C, ROOM_PCT = 19.0, 48.0


def judged(kind: LocationKind, series: Series, room: HourlySeries | None = None) -> PlacementQuality:
    where = location(kind)
    return assess_placement(placement(where, series), where, room, house(where), end_of(series))


def flagged(kind: LocationKind, series: Series, room: HourlySeries | None = None) -> set[str]:
    return kinds(judged(kind, series, room).spans)


def room_track(days: float, rh: float = ROOM_PCT) -> HourlySeries:
    return track(location(ROOM), ROOM_C, rh, days)


def hour(time_s: Array) -> Array:
    return time_s / HOUR_S


def living_room(time_s: Array, seed: int = 1) -> tuple[Array, Array]:
    """A room with a little daily life in it."""
    n = len(time_s)
    return (
        ROOM_C + 0.8 * daily(hour(time_s)) + noise(n, 0.04, seed),
        ROOM_PCT - 2.0 * daily(hour(time_s)) + noise(n, 0.15, seed + 100),
    )


def concrete(time_s: Array, seed: int = 1) -> tuple[Array, Array]:
    """A settled sleeve that dries by 0.1 %RH a day."""
    n = len(time_s)
    return 17.5 + 0.3 * daily(hour(time_s)) + noise(n, 0.02, seed), 90.0 - hour(time_s) / 240.0 + noise(n, 0.05, seed)


# -- values that no working probe gives ----------------------------------------------------------------------------


@pytest.mark.parametrize(("t", "rh"), [(19.0, 0.0), (19.0, 112.0), (-75.0, 50.0), (125.0, 50.0)])
def test_hours_of_impossible_values_are_flagged_from_their_first_hour_to_their_last(t: float, rh: float) -> None:
    time_s = times(3)
    temperature, humidity = living_room(time_s)
    bad = (hour(time_s) >= 30) & (hour(time_s) < 36)
    temperature[bad], humidity[bad] = t, rh
    spans = [s for s in judged(ROOM, readings(time_s, temperature, humidity)).spans if s.kind == "range"]
    assert [(s.start_s - START_S, s.end_s - START_S) for s in spans] == [(30 * HOUR_S, 36 * HOUR_S)]


@pytest.mark.parametrize(("t", "rh"), [(-25.0, 88.0), (21.0, 101.0), (45.0, 6.0)])
def test_frost_a_little_over_saturation_and_hot_dry_air_are_possible(t: float, rh: float) -> None:
    assert not out_of_range(np.array([t]), np.array([rh]))[0]


# -- stuck ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [ROOM, OUTDOOR, CAVITY, VOID])
def test_a_probe_that_repeats_itself_for_half_a_day_is_stuck(kind: LocationKind) -> None:
    time_s = times(8)
    temperature, humidity = living_room(time_s)
    frozen = hour(time_s) >= 8 * 24 - 12
    temperature[frozen], humidity[frozen] = temperature[frozen][0], humidity[frozen][0]
    series = readings(time_s, in_steps(temperature, 0.01), in_steps(humidity, 0.1))
    spans = [s for s in judged(kind, series).spans if s.kind == "stuck"]
    assert len(spans) == 1
    assert spans[0].start_s == pytest.approx(START_S + (8 * 24 - 12) * HOUR_S, abs=2 * HOUR_S)


@pytest.mark.parametrize("kind", [ROOM, CAVITY, SLEEVE])
@pytest.mark.parametrize(("frozen_h", "stuck"), [(6, False), (40, True)])
def test_humidity_that_stands_alone_at_an_even_temperature_is_stuck_in_time(
    kind: LocationKind, frozen_h: int, stuck: bool
) -> None:
    """In steps of 0.01 % RH no probe repeats itself for a day and a half; for some hours it may."""
    time_s = times(9)
    temperature = 18.0 + 0.2 * daily(hour(time_s)) + noise(len(time_s), 0.05, 2)
    humidity = 62.0 + noise(len(time_s), 0.1)
    frozen = (hour(time_s) >= 150) & (hour(time_s) < 150 + frozen_h)
    humidity[frozen] = humidity[frozen][0]
    assert ("stuck" in flagged(kind, readings(time_s, temperature, in_steps(humidity, 0.01)))) is stuck


def test_humidity_that_stands_while_temperature_moves_is_stuck() -> None:
    time_s = times(8)
    temperature = 10.0 + 4.0 * daily(hour(time_s)) + noise(len(time_s), 0.05)
    humidity = 70.0 - 12.0 * daily(hour(time_s)) + noise(len(time_s), 0.2)
    humidity[hour(time_s) >= 8 * 24 - 14] = 61.3
    assert "stuck" in flagged(OUTDOOR, readings(time_s, temperature, in_steps(humidity, 0.1)))


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_healthy_sleeve_that_stands_still_for_days_in_coarse_steps_is_not_stuck(step: float) -> None:
    """The persistence check for weather stations (an hour) would flag every one of these days."""
    time_s = times(12)
    temperature, humidity = concrete(time_s)
    series = readings(time_s, in_steps(temperature, 0.5), in_steps(humidity, step))
    assert flagged(SLEEVE, series, room_track(12)) == set()


@pytest.mark.parametrize("kind", [ROOM, CAVITY])
def test_a_probe_with_coarse_steps_is_not_stuck_in_a_hall_that_hardly_moves(kind: LocationKind) -> None:
    """Whole degrees and whole per cents: an even day or two falls into one step, between days that do not."""
    time_s = times(16)
    at = hour(time_s)
    swing = np.where((at // 24).astype(int) % 8 < 6, 1.0, 0.05)
    temperature = 12.2 + 0.6 * swing * daily(at) + noise(len(at), 0.02, 3)
    humidity = 88.3 - 0.9 * swing * daily(at) + noise(len(at), 0.05, 4)
    series = readings(time_s, in_steps(temperature, 1.0), in_steps(humidity, 1.0))
    assert "stuck" not in flagged(kind, series)


def test_a_probe_with_coarse_steps_that_freezes_where_the_day_moves_by_many_steps_is_stuck() -> None:
    time_s = times(12)
    temperature = 10.0 + 6.0 * daily(hour(time_s)) + noise(len(time_s), 0.05)
    humidity = 70.0 - 18.0 * daily(hour(time_s)) + noise(len(time_s), 0.2)
    frozen = hour(time_s) >= 11 * 24 - 10
    temperature[frozen], humidity[frozen] = 8.0, 77.0
    series = readings(time_s, in_steps(temperature, 1.0), in_steps(humidity, 1.0))
    assert "stuck" in flagged(OUTDOOR, series)


def test_fog_at_100_percent_for_two_days_is_no_fault() -> None:
    time_s = times(10)
    temperature = 4.0 + 1.5 * daily(hour(time_s)) + noise(len(time_s), 0.05)
    humidity = 92.0 - 5.0 * daily(hour(time_s)) + noise(len(time_s), 0.3)
    fog = (hour(time_s) >= 120) & (hour(time_s) < 168)
    closing_in = np.clip((hour(time_s) - 108) / 12.0, 0.0, 1.0)
    humidity = np.where(fog, 100.0, humidity + closing_in * (hour(time_s) < 120) * (100.0 - humidity))
    temperature[fog] = 2.0
    assert flagged(OUTDOOR, readings(time_s, temperature, np.minimum(humidity, 100.0))) == set()


@pytest.mark.parametrize(
    ("foggy", "hours", "kinds"), [(True, 60, set()), (True, 110, {"saturated"}), (False, 60, {"saturated"})]
)
def test_a_foggy_winter_stays_saturated_for_days_and_a_wetted_sensor_for_longer(
    foggy: bool, hours: int, kinds: set[str]
) -> None:
    """Through warmer and colder days: where nights before were at 100 % too, the weather may do it."""
    time_s = times(14)
    temperature = 1.0 + 4.0 * daily(hour(time_s)) + noise(len(time_s), 0.05)
    humidity = 93.0 - 9.0 * daily(hour(time_s)) * (1.0 if foggy else 0.3) + noise(len(time_s), 0.3)
    held = (hour(time_s) >= 200) & (hour(time_s) < 200 + hours)
    assert flagged(OUTDOOR, readings(time_s, temperature, np.where(held, 100.0, np.minimum(humidity, 100.0)))) == kinds


@pytest.mark.parametrize("middle_c", [12.0, -6.0])
def test_a_cavity_that_swings_with_sun_and_frost_is_no_fault(middle_c: float) -> None:
    time_s = times(10)
    sun = np.clip(daily(hour(time_s)), 0.0, None) ** 2
    temperature = middle_c + 9.0 * sun + noise(len(time_s), 0.04)
    humidity = np.clip(88.0 - 22.0 * sun + noise(len(time_s), 0.2), 0.0, 100.0)
    series = readings(time_s, in_steps(temperature, 0.1), in_steps(humidity, 0.1))
    assert flagged(CAVITY, series, room_track(10)) == set()


# -- noise and spikes ----------------------------------------------------------------------------------------------


def test_white_noise_is_told_from_a_slow_course() -> None:
    """Noise of 2 on a random walk of 0.5 a step: the steps' lag-one autocovariance is minus the noise's variance."""
    walk = np.cumsum(noise(5000, 0.5, 3))
    assert white_noise(walk + noise(5000, 2.0, 4)) == pytest.approx(2.0, rel=0.1)
    assert white_noise(walk) < 0.3


@pytest.mark.parametrize("kind", [CAVITY, SLEEVE])
def test_a_probe_that_begins_to_jump_from_reading_to_reading_is_noisy(kind: LocationKind) -> None:
    time_s = times(8)
    temperature, humidity = concrete(time_s)
    humidity += noise(len(time_s), 3.5, 9) * (hour(time_s) >= 8 * 24 - 12)
    assert "noisy" in flagged(kind, readings(time_s, temperature, humidity), room_track(8))


def test_a_room_whose_dehumidifier_cycles_all_the_time_is_not_noisy() -> None:
    """Eight percent up and down within 40 minutes, as it did from the first day on."""
    time_s = times(8)
    saw = (time_s % 2400.0) / 2400.0
    temperature = ROOM_C + 0.6 * saw + noise(len(time_s), 0.04)
    humidity = 46.0 + 8.0 * saw + noise(len(time_s), 0.15)
    assert flagged(ROOM, readings(time_s, temperature, humidity)) == set()


def test_a_heater_that_begins_to_cycle_moves_temperature_too_and_is_no_noisy_probe() -> None:
    time_s = times(8)
    saw = ((time_s % 1800.0) / 1800.0 - 0.5) * (hour(time_s) >= 8 * 24 - 12)
    temperature, humidity = living_room(time_s)
    assert flagged(ROOM, readings(time_s, temperature + 4.0 * saw, humidity - 10.0 * saw)) == set()


@pytest.mark.parametrize(("count", "fault"), [(2, False), (3, True)])
def test_lone_values_are_left_out_one_by_one_and_three_a_day_are_a_fault(count: int, fault: bool) -> None:
    time_s = times(6)
    temperature, humidity = concrete(time_s)
    at = len(time_s) - 100 + 30 * np.arange(count)
    humidity[at] -= 25.0
    series = readings(time_s, temperature, humidity)
    found = judged(SLEEVE, series, room_track(6))
    assert ("spikes" in kinds(found.spans)) is fault
    assert found.lone_s == pytest.approx(START_S + time_s[at])
    assert not found.hourly_out.any()  # an hour's median does not feel them
    record = placement(location(SLEEVE), series)
    assert record.recent.time_s[recent_out(found, record.recent) == 1.0] == pytest.approx(START_S + time_s[at])


def test_a_door_that_opens_is_a_step_and_no_spike() -> None:
    value = np.r_[np.full(20, 45.0), np.full(20, 70.0)] + noise(40, 0.2)
    assert not lone_values(value, 12.0).any()


# -- clock ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("off_min", "kind"), [(12, "clock_ahead"), (-50, "clock_behind"), (1, None), (-5, None)])
def test_a_clock_that_is_off_is_told_from_transport_that_takes_minutes(off_min: float, kind: str | None) -> None:
    time_s = times(4)
    temperature, humidity = living_room(time_s)
    series = readings(time_s + 60.0 * off_min, temperature, humidity, received_s=time_s + 4.0)
    assert flagged(ROOM, series) == (set() if kind is None else {kind})


def test_a_backlog_that_comes_in_one_burst_is_no_slow_clock() -> None:
    time_s = times(4)
    temperature, humidity = living_room(time_s)
    arrived = np.where(time_s > 3.5 * 86_400.0, 4 * 86_400.0 + 30.0, time_s + 4.0)
    assert flagged(ROOM, readings(time_s, temperature, humidity, arrived)) == set()


def test_with_fewer_than_four_readings_nothing_is_said_of_a_clock() -> None:
    series = readings(np.array([0.0, 600.0, 1200.0]), 19.0, 50.0)
    assert clock_offset_s(series, STEP_S, START_S + 1800.0) is None


# -- out of its place ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "level"), [(SLEEVE, 91.0), (CAVITY, 78.0)])
def test_a_probe_that_fell_out_and_reads_the_room_since_is_flagged_from_the_fall_on(
    kind: LocationKind, level: float
) -> None:
    time_s = times(10)
    out = hour(time_s) >= 216
    humidity = np.where(out, ROOM_PCT, level) + noise(len(time_s), 0.1)
    temperature = np.where(out, ROOM_C, 16.0) + noise(len(time_s), 0.03)
    spans = judged(kind, readings(time_s, temperature, humidity), room_track(10)).spans
    fallen = [s for s in spans if s.kind == "left_location"]
    assert len(fallen) == 1
    assert fallen[0].start_s - START_S == pytest.approx(216 * HOUR_S, abs=2 * HOUR_S)
    assert fallen[0].why.reason is FaultReason.FOLLOWS_ROOM


def test_a_cavity_that_slowly_dries_into_the_rooms_air_has_not_left_its_place() -> None:
    time_s = times(20)
    humidity = ROOM_PCT + 35.0 * np.exp(-hour(time_s) / 96.0) + noise(len(time_s), 0.1)
    assert flagged(CAVITY, readings(time_s, ROOM_C - 0.5, humidity), room_track(20)) == set()


@pytest.mark.parametrize("open_h", [1.0, 3.0])
def test_a_sleeve_that_is_opened_and_sealed_again_is_no_fault(open_h: float) -> None:
    time_s = times(12)
    since = hour(time_s) - 150.0
    back = 89.0 - (89.0 - ROOM_PCT) * np.exp(-np.clip(since - open_h, 0.0, None) / 10.0)
    humidity = np.where(since < 0, 89.0, np.where(since < open_h, ROOM_PCT + 4.0, back))
    series = readings(time_s, 17.5 + noise(len(time_s), 0.03), humidity + noise(len(time_s), 0.05))
    assert flagged(SLEEVE, series, room_track(12)) == set()


# -- jumps, saturation, drift --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "by"), [(SLEEVE, -8.0), (SLEEVE, 6.5), (CAVITY, 14.0)])
def test_a_level_that_jumps_between_flat_hours_is_the_probes_and_not_the_buildings(
    kind: LocationKind, by: float
) -> None:
    time_s = times(10)
    humidity = np.where(hour(time_s) < 168, 84.0, 84.0 + by) + noise(len(time_s), 0.1)
    spans = judged(kind, readings(time_s, 17.0, humidity), room_track(10)).spans
    jumps = [s for s in spans if s.kind == "offset"]
    assert len(jumps) == 1
    assert jumps[0].start_s - START_S == pytest.approx(168 * HOUR_S, abs=2 * HOUR_S)
    assert jumps[0].end_s >= START_S + 239 * HOUR_S  # out until it is taken away


def test_water_that_runs_into_a_cavity_for_half_a_day_is_no_jump_of_its_probe() -> None:
    time_s = times(10)
    rise = 14.0 * (1.0 - np.exp(-np.clip(hour(time_s) - 168.0, 0, None) / 8.0))
    humidity = 72.0 + rise + noise(len(time_s), 0.1)
    assert flagged(CAVITY, readings(time_s, 17.0 + 0.5 * daily(hour(time_s)), humidity), room_track(10)) == set()


@pytest.mark.parametrize("kind", [ROOM, SLEEVE])
def test_a_probe_that_jumps_to_saturation_and_stays_there_is_wetted_or_broken(kind: LocationKind) -> None:
    time_s = times(8)
    humidity = np.where(hour(time_s) < 170, 60.0, 99.6) + noise(len(time_s), 0.1)
    series = readings(time_s, 18.0 + 0.4 * daily(hour(time_s)), humidity)
    assert "saturated" in flagged(kind, series, room_track(8))


def test_outdoor_air_that_is_saturated_night_after_night_is_no_fault() -> None:
    time_s = times(10)
    humidity = np.clip(96.0 - 30.0 * np.clip(daily(hour(time_s)), -0.2, None), 0.0, 100.0)
    series = readings(time_s, 5.0 + 4.0 * daily(hour(time_s)) + noise(len(time_s), 0.1), in_steps(humidity, 0.1))
    assert flagged(OUTDOOR, series) == set()


def falling_ever_faster(time_s: Array, from_day: float = 20.0) -> Array:
    """Dries by 0.1 %RH a day, and from that day on by 1.5 more."""
    return np.asarray(90.0 - hour(time_s) / 240.0 - 1.5 * np.clip(hour(time_s) / 24.0 - from_day, 0.0, None))


def test_outdoor_air_that_stands_at_saturation_while_its_temperature_swings_is_a_broken_probe() -> None:
    time_s = times(10)
    humidity = np.where(hour(time_s) < 150, 88.0 - 8.0 * daily(hour(time_s)), 99.0) + noise(len(time_s), 0.1)
    series = readings(time_s, 5.0 + 4.0 * daily(hour(time_s)) + noise(len(time_s), 0.1), humidity)
    assert "saturated" in flagged(OUTDOOR, series)


@pytest.mark.parametrize(("lost", "told"), [(0.6, True), (0.4, True), (0.05, False)])
def test_readings_lost_here_and_there_are_told_and_the_rest_still_speak(lost: float, told: bool) -> None:
    time_s = times(6)
    kept = time_s[(np.random.default_rng(4).random(len(time_s)) >= lost) | (hour(time_s) < 96)]
    temperature, humidity = living_room(kept)
    quality = judged(ROOM, readings(kept, temperature, humidity))
    assert ("gaps" in kinds(quality.spans)) is told
    assert not quality.hourly_out.any()


def test_a_gateway_that_was_silent_for_hours_and_a_probe_set_to_report_less_often_lose_nothing() -> None:
    time_s = times(6)
    silent = time_s[(hour(time_s) < 125) | (hour(time_s) > 134)]
    assert "gaps" not in flagged(ROOM, readings(silent, *living_room(silent)))
    seldom = time_s[::4]
    assert "gaps" not in flagged(ROOM, readings(seldom, *living_room(seldom)))


def outdoor_track(days: float, rh: float = 70.0) -> HourlySeries:
    return track(location(OUTDOOR), 10.0, rh, days)


@pytest.mark.parametrize(("per_day", "drifts"), [(-1.5, True), (-0.3, False)])
def test_a_void_that_reads_drier_than_any_air_around_it_drifts(per_day: float, drifts: bool) -> None:
    time_s = times(30)
    humidity = 62.0 + per_day * np.maximum(hour(time_s) / 24.0 - 5.0, 0.0) + noise(len(time_s), 0.2)
    where, series = location(VOID), readings(time_s, 15.0, humidity)
    quality = assess_placement(
        placement(where, series), where, room_track(30), house(where), end_of(series), outdoor_track(30)
    )
    assert ("drift" in kinds(quality.spans)) is drifts


def test_a_void_that_lags_behind_air_that_turned_humid_does_not_drift() -> None:
    """Dry timber takes up vapour for weeks: the void stays drier than its air, and its probe is right."""
    time_s = times(20)
    days = np.arange(20 * 24) / 24.0
    humid = np.where(days < 12.0, 45.0, 75.0)
    behind = 45.0 + 30.0 * (1.0 - np.exp(-np.maximum(hour(time_s) / 24.0 - 12.0, 0.0) / 3.0))
    where, series = location(VOID), readings(time_s, ROOM_C, behind + noise(len(time_s), 0.2))
    airs = track(location(ROOM), ROOM_C, humid, 20), track(location(OUTDOOR), ROOM_C, humid, 20)
    quality = assess_placement(placement(where, series), where, airs[0], house(where), end_of(series), airs[1])
    assert "drift" not in kinds(quality.spans)


def test_concrete_that_seems_to_dry_ever_faster_in_unchanged_air_is_a_drifting_probe() -> None:
    time_s = times(27, 1800.0)
    humidity = falling_ever_faster(time_s) + noise(len(time_s), 0.05)
    assert "drift" in flagged(SLEEVE, readings(time_s, 18.0 + noise(len(time_s), 0.05), humidity), room_track(27))


def test_concrete_that_dries_faster_because_its_air_got_drier_does_not_drift() -> None:
    time_s = times(27, 1800.0)
    humidity = falling_ever_faster(time_s) + noise(len(time_s), 0.05)
    drier = track(location(ROOM), ROOM_C, np.where(np.arange(27 * 24) < 19 * 24, 60.0, 35.0), 27)
    assert flagged(SLEEVE, readings(time_s, 18.0 + noise(len(time_s), 0.05), humidity), drier) == set()


def test_a_drift_that_two_probes_begin_together_is_no_probes_fault() -> None:
    time_s = times(27, 1800.0)
    records: dict[tuple[str, float], PlacementRecord] = {}
    found: dict[tuple[str, float], PlacementQuality] = {}
    for k, name in enumerate(("s1", "s2", "s3")):
        where = location(SLEEVE, id=name)
        humidity = falling_ever_faster(time_s, 20.0 if k < 2 else 99.0) + noise(len(time_s), 0.05, k)
        record = placement(where, readings(time_s, 18.0 + noise(len(time_s), 0.05, k), humidity))
        records[name, START_S] = record
        found[name, START_S] = assess_placement(record, where, room_track(27), house(where), START_S + 27 * 86_400.0)
    assert {name for (name, _), q in found.items() if "drift" in kinds(q.spans)} == {"s1", "s2"}
    after = without_common_drift(found, records)
    assert all("drift" not in kinds(q.spans) and not q.hourly_out.any() for q in after.values())
    alone = {key: q for key, q in found.items() if key[0] != "s2"}
    assert "drift" in kinds(without_common_drift(alone, records)["s1", START_S].spans)


# -- what flags do -------------------------------------------------------------------------------------------------


def broken(days: float = 4.0) -> tuple[Location, PlacementRecord, PlacementQuality, float]:
    where, time_s = location(ROOM), times(days)
    temperature, humidity = living_room(time_s)
    humidity[hour(time_s) >= 24 * days - 10] = 0.0
    series = readings(time_s, temperature, humidity)
    record, as_of_s = placement(where, series), end_of(series)
    return where, record, assess_placement(record, where, None, house(where), as_of_s), as_of_s


def test_flagged_hours_are_out_and_the_readings_stay_as_they_were() -> None:
    _, record, quality, _ = broken()
    out = quality.hourly_out == 1.0
    assert out.sum() == 10
    assert (record.hourly.relative_humidity_pct[out] == 0.0).all()  # raw is raw
    assert recent_out(quality, record.recent).sum() == (record.recent.relative_humidity_pct == 0.0).sum()


def test_a_flag_that_still_holds_has_no_end_and_one_that_is_over_has() -> None:
    _, record, quality, as_of_s = broken()
    (flag,) = flags_of(quality, record, as_of_s)
    assert (flag.kind, flag.end) == ("range", None)
    assert flag.why.reason
    (later,) = flags_of(quality, record, as_of_s + 12 * HOUR_S)
    assert later.end is not None
    assert later.end > later.start


def test_the_finding_names_probe_place_and_fault_and_holds_while_the_fault_does() -> None:
    where, record, quality, as_of_s = broken()
    finding = fault_finding(quality, record, where, as_of_s)
    assert finding is not None
    assert (finding.truth, finding.probe, finding.location) == (Truth.TRUE, "p-room_air", "room_air")
    assert (finding.facts.fault, finding.facts.excluded) == (Fault.RANGE, True)
    assert finding.since is not None
    assert finding.since.timestamp() == as_of_s - 10 * HOUR_S


def test_of_a_probe_that_is_silent_no_fault_is_known() -> None:
    where, record, quality, as_of_s = broken()
    assert fault_finding(quality, record, where, as_of_s + 5 * HOUR_S) is None


def test_readings_newer_than_the_judgement_are_held_to_a_fault_that_had_not_ended() -> None:
    _, _, quality, as_of_s = broken()
    newer = readings(as_of_s - START_S + times(0.04), ROOM_C, ROOM_PCT)
    assert recent_out(quality, newer).all()
    assert not recent_out(PlacementQuality((), quality.hourly_out, quality.lone_s), newer).any()


def test_every_kind_of_fault_has_a_name_for_people() -> None:
    assert {fault.value for fault in TERMS} == FAULTS
