"""What the checks of probes do just below and just above each of their limits.

The limits are our choice; the cases are made up so that one limit alone decides, and say what it is for.
"""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import CAVITY, OUTDOOR, ROOM, SLEEVE, START_S, end_of, house, kinds, location, placement, readings

from monitord.analysis.probes.placement_checks import drier_than_all, left_location
from monitord.analysis.probes.quality import (
    PlacementQuality,
    assess_placement,
    fault_finding,
    flags_of,
    without_common_drift,
)
from monitord.analysis.probes.quality_checks import (
    Span,
    clock_offset_s,
    gaps,
    has_become_noisy,
    out_of_range,
    stuck,
    white_noise,
)
from monitord.analysis.probes.quality_checks import spikes as lone_values
from monitord.analysis.probes.quality_jumps import falling_away, offset, saturated
from monitord.model.facts import FaultFacts, FaultReason
from monitord.model.jobs import LocationKind
from monitord.model.series import HOUR_S, Array, Hourly, Series

DAY_S = 86_400.0


WHY = FaultFacts(reason=FaultReason.FALLS_FASTER)


def hourly(t: Array, rh: Array, range_t: Array | float = 0.1, range_rh: Array | float = 0.1) -> Hourly:
    """Hours with a median and a range about it; a range of 0 is a value that did not move."""
    n = len(rh)
    t, half_t, half_rh = np.broadcast_to(t, n), np.broadcast_to(range_t, n) / 2, np.broadcast_to(range_rh, n) / 2
    time_s, nothing = START_S + HOUR_S * np.arange(n), np.full(n, np.nan)
    return Hourly(time_s, np.full(n, 6.0), t, rh, nothing, t - half_t, t + half_t, rh - half_rh, rh + half_rh)


def moving(n: int, step: float = 0.01, sd: float = 1.0, seed: int = 5) -> Array:
    """Values that never repeat the one before, in steps."""
    value = np.round(np.random.default_rng(seed).normal(0.0, sd, n) / step)
    value[1:] += (value[1:] == value[:-1]) * np.where(np.arange(1, n) % 2, 1, 2)
    return np.asarray(step * value)


# -- range ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("t", "rh", "bad"),
    [(20, 0.4, True), (20, 0.6, False), (-59, 50, False), (-61, 50, True), (79, 5, False), (81, 5, True)],
)
def test_a_dead_probe_is_told_from_very_dry_very_cold_and_very_hot_air(t: float, rh: float, bad: bool) -> None:
    assert out_of_range(np.array([float(t)]), np.array([float(rh)]))[0] == bad


@pytest.mark.parametrize(("hours", "flagged"), [(1, False), (2, True)])
def test_one_hour_of_impossible_values_is_an_accident_and_two_are_a_fault(hours: int, flagged: bool) -> None:
    time_s = np.arange(0.0, 2 * DAY_S, 600.0)
    rh = 50.0 + moving(len(time_s), sd=0.2)
    rh[60 : 60 + 6 * hours] = 0.0
    where, series = location(ROOM), readings(time_s, 20.0 + moving(len(time_s), sd=0.1), rh)
    found = assess_placement(placement(where, series), where, None, house(where), end_of(series))
    assert ("range" in kinds(found.spans)) is flagged


# -- stuck ---------------------------------------------------------------------------------------------------------


def standing(before_t: Array, before_rh: Array, hours: int, t_moves: float | None = None, level: float = 0.0) -> Hourly:
    """Hours that moved, then some in which humidity repeats itself; so does temperature unless it moves by so much."""
    t = np.r_[before_t, np.full(hours, before_t[-1])]
    if t_moves is not None:
        t[-hours:] = before_t[-1] + np.linspace(0.0, t_moves, hours)
    rh = np.r_[before_rh, np.full(hours, before_rh[-1])] + level
    still = np.r_[np.full(len(before_t), 0.1), np.zeros(hours)]
    still[len(before_t) - 1] = 0.0
    return hourly(t, rh, 0.1 if t_moves is not None else still, still)


def is_stuck(made: Hourly, kind: LocationKind) -> bool:
    return bool(stuck(made, kind))


@pytest.mark.parametrize(
    ("kind", "hours", "flagged"), [(ROOM, 3, False), (ROOM, 4, True), (CAVITY, 7, False), (CAVITY, 8, True)]
)
def test_air_may_stand_still_for_hours_and_an_element_for_twice_as_long(
    kind: LocationKind, hours: int, flagged: bool
) -> None:
    assert is_stuck(standing(18 + moving(300), 60 + moving(300, seed=6), hours), kind) is flagged


@pytest.mark.parametrize(("hours", "flagged"), [(13, False), (14, True)])
def test_a_probe_that_often_stands_still_may_do_so_for_longer(hours: int, flagged: bool) -> None:
    """It repeated three hours in ten: 0.3 to the power of 13 is one in six million, to that of 14 one in twenty."""
    n = 301
    source = np.arange(n) - np.isin(np.arange(n) % 10, (3, 6, 9))
    made = standing((18 + moving(n))[source], (60 + moving(n, seed=6))[source], hours)
    ranges = np.where(
        np.isin(np.arange(n + hours) % 10, (2, 3, 5, 6, 8, 9)) | (np.arange(n + hours) >= n - 1), 0.0, 0.1
    )
    again = hourly(made.temperature_c, made.relative_humidity_pct, ranges, ranges)
    assert is_stuck(again, CAVITY) is flagged


@pytest.mark.parametrize(("moving_h", "flagged"), [(240, True), (120, False)])
def test_how_often_a_probe_stands_still_is_counted_over_ten_days(moving_h: int, flagged: bool) -> None:
    """Standing still every other hour excuses nothing more than ten days ago, and does five days ago."""
    early = np.arange(300) - np.arange(300) % 2
    t, rh = np.r_[18 + moving(300)[early], 18 + moving(moving_h)], np.r_[60 + moving(300)[early], 60 + moving(moving_h)]
    made = standing(t, rh, 8)
    ranges = np.r_[np.zeros(300), np.full(moving_h - 1, 0.1), np.zeros(9)]
    assert is_stuck(hourly(made.temperature_c, made.relative_humidity_pct, ranges, ranges), CAVITY) is flagged


@pytest.mark.parametrize(("hours", "flagged"), [(14, False), (15, True)])
def test_humidity_alone_at_an_even_temperature_must_stand_for_longer(hours: int, flagged: bool) -> None:
    assert is_stuck(standing(18 + moving(300), 60 + moving(300, seed=6), hours, t_moves=0.5), CAVITY) is flagged


@pytest.mark.parametrize(
    ("kind", "step", "flagged"),
    [(CAVITY, 0.15, True), (CAVITY, 0.3, False), (SLEEVE, 0.04, True), (SLEEVE, 0.08, False)],
)
def test_only_fine_steps_show_that_humidity_stands(kind: LocationKind, step: float, flagged: bool) -> None:
    made = standing(18 + moving(300), 60 + moving(300, step=step, sd=4.0, seed=6), 30, t_moves=0.5)
    assert is_stuck(made, kind) is flagged


@pytest.mark.parametrize(("level", "flagged"), [(96.8, True), (97.2, False)])
def test_fog_and_wet_walls_hold_still_near_saturation(level: float, flagged: bool) -> None:
    rh = 60 + moving(300, seed=6)
    rh[-1] = level
    assert is_stuck(standing(18 + moving(300), rh, 10), CAVITY) is flagged


@pytest.mark.parametrize(
    ("kind", "by", "flagged"), [(CAVITY, 1.4, False), (CAVITY, 1.6, True), (SLEEVE, 2.9, False), (SLEEVE, 3.1, True)]
)
def test_humidity_must_follow_a_temperature_that_moves(kind: LocationKind, by: float, flagged: bool) -> None:
    assert is_stuck(standing(18 + moving(300), 60 + moving(300, seed=6), 9, t_moves=by), kind) is flagged


def flickering(*parts: int, t_step: float = 0.1) -> Hourly:
    """Steps of 1 % RH and of temperature that flicker for some hours, stand still for some, flicker again ..."""
    moves = np.repeat(np.arange(len(parts)) % 2 == 0, parts).astype(float)
    level = np.cumsum(np.arange(len(moves)) % 100 == 0)  # a step up every hundred hours, so that steps are seen
    return hourly(18.0 + t_step * (level + 0.5 * moves), 80.0 + level + 0.5 * moves, t_step * moves, moves)


@pytest.mark.parametrize(
    ("parts", "flagged"),
    [((299, 70), False), ((299, 74), True), ((299, 50, 49, 90), False), ((299, 50, 49, 99), True)],
)
def test_a_sleeve_in_coarse_steps_is_stuck_after_days_and_twice_the_longest_stand(
    parts: tuple[int, ...], flagged: bool
) -> None:
    assert is_stuck(flickering(*parts), SLEEVE) is flagged


@pytest.mark.parametrize(("t_step", "flagged"), [(0.03, True), (0.07, False)])
def test_fine_steps_of_a_slabs_temperature_show_at_once_that_it_stands(t_step: float, flagged: bool) -> None:
    assert is_stuck(flickering(299, 30, t_step=t_step), SLEEVE) is flagged


# -- noise and spikes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "sd", "noisy"), [(CAVITY, 2.4, False), (CAVITY, 2.6, True), (ROOM, 5.8, False), (ROOM, 6.2, True)]
)
def test_noise_from_reading_to_reading_is_a_fault_above_a_limit(kind: LocationKind, sd: float, noisy: bool) -> None:
    """A value that alternates by its noise: the steps' autocovariance is minus its square."""
    time_s = np.arange(0.0, 5 * DAY_S, 600.0)
    late = time_s >= 4.5 * DAY_S
    rh = 60.0 + np.where(late, sd / 2.0 * (-1.0) ** np.arange(len(time_s)), 0.01 * (np.arange(len(time_s)) % 7))
    where, series = location(kind), readings(time_s, 18.0 + 0.01 * (np.arange(len(time_s)) % 5), rh)
    found = assess_placement(placement(where, series), where, None, house(where), end_of(series))
    assert ("noisy" in kinds(found.spans)) is noisy


def restless(
    before: Array | float, now: Array | float, t_before: float = 0.1, t_now: float = 0.1, n: int = 200
) -> bool:
    rh = np.broadcast_to(before, n).copy()
    rh[-8:] = now
    t = np.full(n, t_before)
    t[-8:] = t_now
    return has_become_noisy(hourly(np.full(n, 18.0), np.full(n, 60.0), t, rh))


@pytest.mark.parametrize(
    ("before", "now", "grown"), [(0.1, 1.4, False), (0.1, 1.6, True), (1.0, 2.9, False), (1.0, 3.1, True)]
)
def test_humidity_is_restless_when_its_range_has_tripled(before: float, now: float, grown: bool) -> None:
    assert restless(before, now) is grown


@pytest.mark.parametrize(
    ("t_before", "t_now", "grown"), [(0.1, 0.35, True), (0.1, 0.45, False), (0.5, 0.95, True), (0.5, 1.05, False)]
)
def test_where_temperature_is_restless_too_it_is_the_air(t_before: float, t_now: float, grown: bool) -> None:
    assert restless(0.1, 4.0, t_before, t_now) is grown


def test_a_range_is_compared_with_that_of_the_month_before_and_not_with_the_newest_hours() -> None:
    assert not restless(0.1, 4.0, n=59)
    assert restless(0.1, 4.0, n=60)
    five_of_eight = np.array([4.0, 4.0, 4.0, 4.0, 4.0, 0.1, 0.1, 0.1])
    assert restless(0.1, five_of_eight)
    usual_for_the_month = np.r_[np.full(600, 0.1), np.full(400, 4.0), np.full(320, 0.1)]
    assert not restless(usual_for_the_month, 4.0, n=1320)
    began_ten_hours_ago = np.r_[np.full(24, 4.0), np.full(26, 0.1), np.full(10, 4.0)]
    assert restless(began_ten_hours_ago, 4.0, n=60)


@pytest.mark.parametrize(
    ("kind", "by_pct", "by_k", "alone"),
    [
        (SLEEVE, 5.5, 0, False),
        (SLEEVE, 6.5, 0, True),
        (ROOM, 11, 0, False),
        (ROOM, 13, 0, True),
        (ROOM, 0, 4.5, False),
        (ROOM, 0, 5.5, True),
    ],
)
def test_a_lone_value_must_lie_far_from_both_neighbours(
    kind: LocationKind, by_pct: float, by_k: float, alone: bool
) -> None:
    time_s = np.arange(0.0, 2 * DAY_S, 600.0)
    t, rh = np.full(len(time_s), 18.0), np.full(len(time_s), 60.0)
    t[200] += by_k
    rh[200] += by_pct
    where, series = location(kind), readings(time_s, t, rh)
    found = assess_placement(placement(where, series), where, None, house(where), end_of(series))
    assert bool(len(found.lone_s)) is alone


@pytest.mark.parametrize(("by", "alone"), [(20.0, False), (22.0, True)])
def test_and_six_times_the_usual_step(by: float, alone: bool) -> None:
    """Steps of 3 from reading to reading: the smaller of the two jumps is 3 less than the spike."""
    ramp = 3.0 * np.arange(30)
    ramp[15] += by
    assert lone_values(ramp, 12.0).any() == alone


@pytest.mark.parametrize(("n", "alone"), [(5, False), (6, True)])
def test_a_spike_needs_readings_that_show_the_usual_step(n: int, alone: bool) -> None:
    assert lone_values(np.array([50.0, 50.0, 50.0, 80.0, 50.0, 50.0])[-n:], 12.0).any() == alone


@pytest.mark.parametrize(("lone", "noisy"), [(2, False), (3, True)])
def test_two_lone_values_in_a_hundred_are_no_noise(lone: int, noisy: bool) -> None:
    """Noise of 1; each lone value makes two steps of a hundred."""
    value = np.random.default_rng(1).normal(0.0, 1.0, 100)
    value[10 + 30 * np.arange(lone)] += 40.0
    assert (white_noise(value) > 2.0) is noisy


# -- lost readings -------------------------------------------------------------------------------------------------


def lossy(lost: list[tuple[int, int]], interval_s: float = 600.0) -> bool:
    """A day of readings, from each of some places on so many of them lost."""
    kept = np.ones(round(DAY_S / interval_s), dtype=bool)
    for first, count in lost:
        kept[first : first + count] = False
    time_s = interval_s * np.arange(1, len(kept) + 1)[kept]
    return bool(gaps(readings(time_s, 18.0, 60.0), interval_s, START_S + DAY_S))


@pytest.mark.parametrize(("usual", "doubled", "fault"), [(1, 3, False), (2, 4, True)])
def test_six_readings_of_the_last_day_show_that_others_are_lost(usual: int, doubled: int, fault: bool) -> None:
    """One that reports every 1.9 h and is heard with steps as usual, then after twice as long: five, then seven."""
    step_s = np.r_[np.full(usual, 6840.0), np.full(doubled, 13_680.0)]
    time_s = DAY_S - np.r_[np.cumsum(step_s[::-1])[::-1], 0.0]
    assert bool(gaps(readings(time_s, 18.0, 60.0), 6840.0, START_S + DAY_S)) is fault


@pytest.mark.parametrize(("at_once", "fault"), [(0.07, False), (0.15, True)])
def test_a_tenth_of_the_steps_shows_the_interval_that_is_kept(at_once: float, fault: bool) -> None:
    """Stated as ten minutes, kept as twenty: a few come after ten, and then what comes after twenty lost one."""
    step_s = np.full(70, 1200.0)
    step_s[: round(70 * at_once)] = 600.0
    time_s = DAY_S - np.cumsum(step_s)[::-1] + 600.0
    assert bool(gaps(readings(time_s, 18.0, 60.0), 600.0, START_S + DAY_S)) is fault


@pytest.mark.parametrize(("every", "fault"), [(4, False), (3, True)])
def test_a_fault_is_a_third_of_the_readings_lost_and_not_a_quarter(every: int, fault: bool) -> None:
    assert lossy([(at, 1) for at in range(every - 1, 143, every)]) is fault


@pytest.mark.parametrize(("count", "fault"), [(11, False), (12, True)])
def test_in_a_dozen_gaps(count: int, fault: bool) -> None:
    assert lossy([(11 * k + 2, 5) for k in range(count)]) is fault


@pytest.mark.parametrize(("count", "fault"), [(4, False), (5, True)])
def test_or_a_fifth_of_the_readings_of_one_that_reports_each_hour(count: int, fault: bool) -> None:
    assert lossy([(4 * k + 1, 2) for k in range(count)] + [(22, 0)], 3600.0) is fault


@pytest.mark.parametrize(("missing", "fault"), [(2, True), (3, False)])
def test_a_gap_of_four_hours_is_a_silence(missing: int, fault: bool) -> None:
    assert lossy([((missing + 1) * k + 2, missing) for k in range(5)], 3600.0) is fault


# -- clock ---------------------------------------------------------------------------------------------------------


def clock(late_s: Array | float, interval_s: float = 600.0, hours: float = 30.0) -> float | None:
    time_s = np.arange(0.0, hours * HOUR_S, interval_s)
    series = readings(time_s, 18.0, 60.0, received_s=time_s + late_s)
    return clock_offset_s(series, interval_s, float(series.received_s.max()) + 1.0)


@pytest.mark.parametrize(
    ("late_s", "interval_s", "off_s"),
    [
        (-170, 600, 0),
        (-190, 600, 190),
        (850, 300, 0),
        (950, 300, -950),
        (2600, 1800, 0),
        (2800, 1800, -2800),
    ],
)
def test_a_clock_is_wrong_beyond_what_delivery_explains(late_s: float, interval_s: float, off_s: float) -> None:
    assert clock(late_s, interval_s) == off_s


def test_a_clock_that_was_set_right_two_hours_ago_was_wrong_for_most_of_the_last_six() -> None:
    late_s = np.where(np.arange(180) < 168, -1000.0, 0.0)
    assert clock(late_s) == 1000.0


@pytest.mark.parametrize(("n", "judged"), [(3, False), (4, True)])
def test_four_readings_show_a_clock(n: int, judged: bool) -> None:
    assert (clock(-500.0, hours=n / 6.0) is not None) is judged


@pytest.mark.parametrize(("share", "off"), [(0.4, False), (0.6, True)])
def test_readings_that_arrive_faster_than_they_were_taken_are_a_backlog(share: float, off: bool) -> None:
    time_s = 600.0 * np.arange(30)
    series = readings(time_s, 18.0, 60.0, received_s=30_000.0 + share * time_s)
    found = clock_offset_s(series, 600.0, float(series.received_s.max()) + 1.0)
    assert (found is not None and found < 0) is off


# -- jumps to another level ----------------------------------------------------------------------------------------


def jumped(
    kind: LocationKind,
    by: float,
    flat: float = 0.0,
    warmer: float = 0.0,
    room: float = 30.0,
    before: int = 40,
    after: int = 40,
) -> bool:
    n = before + after
    rh = 80.0 + by * (np.arange(n) >= before) + flat * ((np.arange(n) % 2) - 0.5)
    return bool(offset(hourly(18.0 + warmer * (np.arange(n) >= before), rh), kind, np.full(n, room)))


@pytest.mark.parametrize(
    ("kind", "by", "told"), [(SLEEVE, 4.8, False), (SLEEVE, 5.2, True), (CAVITY, 8.8, False), (CAVITY, 9.2, True)]
)
def test_nothing_wet_jumps_by_that_much_between_flat_hours(kind: LocationKind, by: float, told: bool) -> None:
    assert jumped(kind, by) is told


@pytest.mark.parametrize(
    ("kind", "flat", "told"), [(SLEEVE, 1.1, True), (SLEEVE, 1.3, False), (CAVITY, 2.4, True), (CAVITY, 2.6, False)]
)
def test_hours_that_are_not_flat_show_no_jump(kind: LocationKind, flat: float, told: bool) -> None:
    assert jumped(kind, 14.0, flat) is told


def test_a_jump_with_temperature_or_to_the_rooms_level_has_another_cause() -> None:
    assert jumped(SLEEVE, -10.0, warmer=1.4)
    assert not jumped(SLEEVE, -10.0, warmer=1.6)
    assert jumped(SLEEVE, -10.0, room=65.9)
    assert not jumped(SLEEVE, -10.0, room=66.1)


def test_a_jump_needs_six_flat_hours_on_either_side() -> None:
    assert not jumped(SLEEVE, -10.0, after=5)
    assert jumped(SLEEVE, -10.0, after=6)
    assert not jumped(SLEEVE, -10.0, before=9, after=8)
    assert jumped(SLEEVE, -10.0, before=9, after=9)


# -- saturation ----------------------------------------------------------------------------------------------------


def wetted(kind: LocationKind, hours: int, jump: float = 20.0, life: float = 0.0, level: float = 98.3) -> bool:
    rh = np.r_[np.full(200, level - jump), np.full(hours, level), np.full(20, 70.0)]
    rh[201 : 200 + hours] += life * (np.arange(hours - 1) % 2)
    return bool(saturated(hourly(np.full(len(rh), 18.0), rh, range_rh=0.0), kind))


@pytest.mark.parametrize(
    ("kind", "hours", "told"), [(ROOM, 11, False), (ROOM, 12, True), (OUTDOOR, 23, False), (OUTDOOR, 24, True)]
)
def test_a_wetted_sensor_stands_at_saturation_for_longer_than_fog(kind: LocationKind, hours: int, told: bool) -> None:
    assert wetted(kind, hours) is told


def test_it_got_there_by_a_jump_and_shows_no_life() -> None:
    assert not wetted(ROOM, 30, jump=11.5)
    assert wetted(ROOM, 30, jump=12.5)
    assert wetted(ROOM, 30, life=1.4)
    assert not wetted(ROOM, 30, life=1.6)
    assert not wetted(ROOM, 30, level=97.5)


def foggy(hours: int, swing: float = 6.0, nights: int = 0) -> bool:
    """Outdoor air that comes to saturation slowly and stays there while its temperature swings."""
    before = 90.0 + np.where(np.arange(168) % 8 == 0, 9.0, 0.0) * (np.arange(168) < 8 * nights)
    rh = np.r_[before, 92.0, 94.0, 96.0, 97.0, np.full(hours, 99.0), np.full(10, 90.0)]
    t = np.zeros(len(rh))
    t[172 : 172 + hours] = np.linspace(0.0, swing, hours)
    return bool(saturated(hourly(t, rh, range_rh=0.0), OUTDOOR))


def test_open_air_stays_saturated_for_a_day_and_a_half_and_in_foggy_weather_for_four() -> None:
    assert not foggy(35)
    assert foggy(36)
    assert not foggy(40, swing=4.9)
    assert foggy(40, swing=5.1)
    assert foggy(40, nights=7)  # 7 of 168 hours before: no foggy weather
    assert not foggy(95, nights=11)
    assert foggy(96, nights=11)


# -- drift ---------------------------------------------------------------------------------------------------------


def drifting(
    fall: float,
    usual: float = 0.0,
    warmer: float = 0.0,
    drier: float = 0.0,
    days: int = 22,
    late: int = 4,
    hours: int = 24,
) -> bool:
    """A sleeve that falls by so much a day in the last days, and by the usual before; some hours of each day known."""
    day = np.arange(24 * days + 1) / 24.0
    since = np.maximum(day - (days - late), 0.0)
    rh = 90.0 + usual * np.minimum(day, days - late) + fall * since
    now = since > 0
    made = hourly(18.0 + warmer * now, rh)
    room = 50.0 - drier * now
    keep = (np.arange(len(day)) % 24 < hours) | (np.arange(len(day)) == len(day) - 1)
    part = Hourly(*(getattr(made, name)[keep] for name in Hourly.__dataclass_fields__))
    return bool(falling_away(part, SLEEVE, room[keep]))


def test_concrete_dries_at_a_falling_rate_and_a_drifting_probe_does_not() -> None:
    assert not drifting(-0.44)
    assert drifting(-0.47)
    assert not drifting(-1.0, usual=-0.4)
    assert drifting(-1.1, usual=-0.4)
    assert drifting(-3.9, days=18)
    assert not drifting(-4.1, days=18)  # opened


def test_warmth_or_a_drier_room_may_be_the_cause_of_a_fall() -> None:
    assert drifting(-1.0, warmer=1.4, days=18)
    assert not drifting(-1.0, warmer=1.6, days=18)
    assert drifting(-1.0, drier=5.6, days=18)
    assert not drifting(-1.0, drier=6.5, days=18)


def test_the_first_days_of_a_sleeve_are_its_settling() -> None:
    assert not drifting(-1.0, days=17)
    assert drifting(-1.0, days=18)


def test_a_day_counts_with_eight_of_its_hours() -> None:
    assert drifting(-1.0, hours=8)
    assert not drifting(-1.0, hours=7)


# -- out of its location -------------------------------------------------------------------------------------------

U_PA = 20.0


def fallen(
    excess: Array | float,
    now_pa: Array | float = 0.0,
    warmer: Array | float = 0.0,
    now_k: Array | float = 0.0,
    before: int = 200,
    after: int = 48,
) -> bool:
    """A probe with an excess of vapour pressure over the room, that comes near the room's air. [Pa], [K]"""
    n = before + after
    difference, apart = np.empty(n), np.empty(n)
    difference[:before], difference[before:] = excess, now_pa
    apart[:before], apart[before:] = warmer, now_k
    hour_s, room_c, room_pa = START_S + HOUR_S * np.arange(n), np.full(n, 20.0), np.full(n, 1000.0)
    return bool(left_location(hour_s, room_c + apart, room_pa + difference, room_c, room_pa, U_PA))


def often_near(level: float, hours: int) -> Array:
    """A level from which the probe came to the room's for so many of the 168 hours before, five in a row."""
    out = np.full(200, level)
    for k in range(hours // 5):
        out[40 + 15 * k : 45 + 15 * k] = 0.0
    return out


def test_it_reads_the_rooms_air_within_what_probes_and_rooms_differ_by() -> None:
    """2.5 standard uncertainties of 20 Pa and 2 % of 1000 Pa: 70 Pa; and 1.2 K."""
    assert fallen(900.0, 68.0)
    assert not fallen(900.0, 72.0)
    assert fallen(900.0, now_k=1.15)
    assert not fallen(900.0, now_k=1.25)


def test_for_six_hours_with_breaks_of_two() -> None:
    assert not fallen(900.0, after=5)
    assert fallen(900.0, after=6)
    assert fallen(900.0, np.r_[0, 0, 0, 500.0, 500.0, 0, 0, 0], after=8)
    assert not fallen(900.0, np.r_[0, 0, 0, 500.0, 500.0, 500.0, 0, 0, 0], after=9)


def test_vapour_pressure_alone_decides_where_its_change_is_clear() -> None:
    assert not fallen(115.0)  # 6 standard uncertainties: 120 Pa
    assert fallen(125.0)
    swing = np.zeros(200)
    swing[[191, 195]] = 1.0, -1.0
    assert fallen(300.0 + 95.0 * swing)  # 1.5 times its range before: 285 Pa
    assert not fallen(300.0 + 105.0 * swing)


def test_its_own_level_must_be_known() -> None:
    known = np.full(200, np.nan)
    known[-4:] = 900.0  # the newest hour may be half in, half out, and does not count
    assert not fallen(known)
    known[-5:] = 900.0
    assert fallen(known)


def test_a_location_that_often_agrees_with_the_room_has_not_lost_its_probe() -> None:
    assert fallen(often_near(900.0, 15))
    assert not fallen(often_near(900.0, 20))


def test_or_both_values_go_along_with_the_room_for_half_a_two_days() -> None:
    assert not fallen(100.0, warmer=2.0, after=11)
    assert fallen(100.0, warmer=2.0, after=12)
    assert not fallen(100.0, warmer=0.85)  # it had no way of its own
    assert fallen(100.0, warmer=0.95)
    swing = np.where(np.arange(48) % 2, 1.0, -1.0)
    assert fallen(100.0, 9.5 * swing, warmer=2.0)
    assert not fallen(100.0, 10.5 * swing, warmer=2.0)
    assert fallen(100.0, warmer=2.0, now_k=0.28 * swing)
    assert not fallen(100.0, warmer=2.0, now_k=0.32 * swing)
    assert not fallen(75.0, 40.0, warmer=2.0)  # 2 standard uncertainties: 40 Pa
    assert fallen(85.0, 40.0, warmer=2.0)
    assert fallen(often_near(100.0, 30), warmer=often_near(2.0, 30))
    assert not fallen(often_near(100.0, 35), warmer=often_near(2.0, 35))


@pytest.mark.parametrize(
    ("under", "days", "told"), [(38.0, 8, False), (42.0, 8, True), (300.0, 4.8, False), (300.0, 6.2, True)]
)
def test_five_days_drier_than_any_air_around_it_are_a_drift(under: float, days: float, told: bool) -> None:
    n = 24 * 20
    late = np.arange(n) >= n - 24 * days
    hour_s, air = START_S + HOUR_S * np.arange(n), np.full(n, 1000.0)
    assert bool(drier_than_all(hour_s, air + 200.0 - (200.0 + under) * late, air, air, U_PA)) is told


# -- what flags do -------------------------------------------------------------------------------------------------


def two_days() -> Series:
    """Two days of readings."""
    time_s = np.arange(0.0, 2 * DAY_S, 600.0)
    return readings(time_s, 18.0, 80.0)


@pytest.mark.parametrize(("apart_d", "common"), [(2.9, True), (3.1, False)])
def test_drifts_that_begin_within_three_days_of_each_other_have_a_common_cause(apart_d: float, common: bool) -> None:
    record = placement(location(SLEEVE), two_days())
    judged = {
        (name, START_S): PlacementQuality((Span("drift", start, start + 9 * DAY_S, WHY),), np.zeros(48), np.empty(0))
        for name, start in (("a", START_S), ("b", START_S + apart_d * DAY_S))
    }
    found = without_common_drift(judged, dict.fromkeys(judged, record))
    assert all(not quality.spans for quality in found.values()) is common


@pytest.mark.parametrize(
    ("kind", "ago_h", "holds"),
    [("stuck", 2.9, True), ("stuck", 3.1, False), ("spikes", 23.5, True), ("spikes", 24.5, False)],
)
def test_a_fault_holds_for_some_hours_after_its_last_sign(kind: str, ago_h: float, holds: bool) -> None:
    record, as_of_s = placement(location(SLEEVE), two_days()), START_S + 3 * DAY_S
    quality = PlacementQuality((Span(kind, START_S, as_of_s - ago_h * HOUR_S, WHY),), np.zeros(48), np.empty(0))
    (flag,) = flags_of(quality, record, as_of_s)
    assert (flag.end is None) is holds


@pytest.mark.parametrize(("ago_h", "known"), [(3.4, True), (3.6, False)])
def test_of_a_probe_that_was_silent_for_three_hours_and_three_intervals_no_fault_is_known(
    ago_h: float, known: bool
) -> None:
    where, series = location(SLEEVE), two_days()
    quality = PlacementQuality((), np.zeros(48), np.empty(0))
    as_of_s = float(series.received_s.max()) + ago_h * HOUR_S
    assert (fault_finding(quality, placement(where, series), where, as_of_s) is not None) is known
