"""Which truths are judged, and by which alerts."""

from __future__ import annotations

import pytest
from evaluation_support import END_S, START_S, alert, alerts, at, case, day, location, placement, with_goal

from simulators.evaluation import topics as tp
from simulators.evaluation.matching import DAY_S, HOUR_S, EventScore, score_events
from simulators.evaluation.records import Case, Verdicts
from simulators.truth.records import Condensation, DriveLost, ProbeFault, Rewetting, Silence, Stall


def score(made: Case, said: Verdicts, topic: str) -> EventScore:
    found = next(t for t in tp.topics(made, said) if t.name == topic)
    return score_events(found, made.name, START_S)


def wall() -> Case:
    return case([location("wall", "cavity")])


def test_a_stall_is_found_by_its_alert_alone():
    made = wall()
    with_goal(made.truth.locations["wall"], [], None, "never")
    made.truth.locations["wall"].stalls = [Stall(day(10), day(20), "air")]
    assert score(made, alerts(alert("drying_stalled", "wall", day(12))), tp.STALL).found["air"] == 1
    assert score(made, alerts(alert("rewetting", "wall", day(12))), tp.STALL).found["air"] == 0


@pytest.mark.parametrize("name", ["unclear", "wetting_days"])
def test_a_stall_alert_in_an_unclear_time_or_while_water_comes_judges_nobody(name: str):
    made = wall()
    setattr(made.truth.locations["wall"], name, [(day(10), day(20))])
    result = score(made, alerts(alert("drying_stalled", "wall", day(12), day(14))), tp.STALL)
    assert (sum(result.due.values()), result.false) == (0, 0)


def test_a_stall_alert_on_a_slow_place_is_false():
    made = wall()
    made.truth.locations["wall"].slow = [(day(10), day(20))]
    assert score(made, alerts(alert("drying_stalled", "wall", day(12), day(14))), tp.STALL).false == 1


def test_stall_rates_are_over_the_locations_with_a_goal():
    made = case([location("a", "cavity"), location("b", "cavity"), location("c", "room_air")])
    with_goal(made.truth.locations["a"], [], None, "never")
    # one of three locations, ten weeks
    assert score(made, Verdicts(), tp.STALL).exposure_s == END_S - START_S


def test_water_that_was_not_felt_judges_nobody():
    made = wall()
    made.truth.locations["wall"].rewetting = [Rewetting(day(10), None, day(11), day(15), 0.8, "leak")]
    result = score(made, alerts(alert("rewetting", "wall", day(12), day(13))), tp.REWETTING)
    assert (sum(result.due.values()), result.false) == (0, 0)


def test_humid_weather_is_no_rewetting():
    made = wall()
    made.truth.locations["wall"].air_wetting = [(day(10), day(20))]
    assert score(made, alerts(alert("rewetting", "wall", day(12), day(13))), tp.REWETTING).false == 1


def test_rewetting_lasts_until_half_of_it_is_gone():
    made = wall()
    made.truth.locations["wall"].rewetting = [Rewetting(day(10), day(10.5), day(12), day(20), 9.0, "leak")]
    # closes on day 22: two days after half of it was gone, as long as it may linger
    result = score(made, alerts(alert("rewetting", "wall", day(11), day(22))), tp.REWETTING)
    assert (result.found["leak"], result.false_open_s) == (1, 0.0)


def test_an_event_that_nobody_heard_of_judges_nobody():
    made = wall()
    location = made.truth.locations["wall"]
    location.rewetting = [Rewetting(day(10), day(10.5), day(12), day(20), 9.0, "leak")]
    # 1.5 of its 10 days were watched: less than half, and less than two days
    location.watched = [(day(0), day(9)), (day(18.5), day(70))]
    assert sum(score(made, Verdicts(), tp.REWETTING).due.values()) == 0


def test_an_event_heard_of_late_is_judged_from_then():
    made = wall()
    location = made.truth.locations["wall"]
    location.rewetting = [Rewetting(day(10), day(10.5), day(12), day(20), 9.0, "leak")]
    location.watched = [(day(0), day(9)), (day(13), day(70))]
    assert score(made, alerts(alert("rewetting", "wall", day(13.5))), tp.REWETTING).delays_s == [12 * HOUR_S]


def lost_drive(matters: bool) -> Case:
    made = case([location("hall", "room_air"), location("wall", "cavity", reference="hall")])
    made.truth.drive_lost = [DriveLost("hall", day(10), day(15), "machine_off", 300.0, 12.0, day(10.125), matters)]
    return made


@pytest.mark.parametrize("where", ["hall", "wall"])
def test_a_lost_drive_is_found_at_the_room_or_at_a_place_beside_it(where: str):
    result = score(lost_drive(matters=True), alerts(alert("drive_lost", where, at(244))), tp.DRIVE)
    # day 10 is hour 240, and it was felt at hour 243
    assert (result.delays_s, result.felt_delays_s) == ([4 * HOUR_S], [HOUR_S])


def test_a_drive_that_hardly_matters_judges_nobody():
    result = score(lost_drive(matters=False), alerts(alert("drive_lost", "hall", day(11), day(12))), tp.DRIVE)
    assert (sum(result.due.values()), result.false) == (0, 0)


def test_machine_and_heating_that_stop_together_are_one_lost_drive():
    made = lost_drive(matters=True)
    made.truth.drive_lost.append(DriveLost("hall", day(10), day(18), "heating_off", 50.0, 2.0, None, matters=False))
    result = score(made, alerts(alert("drive_lost", "hall", day(10.25), day(18))), tp.DRIVE)
    assert (dict(result.due), result.delays_s) == ({"machine_off": 1}, [6 * HOUR_S])


def test_the_air_leaving_its_band_because_of_new_moisture_judges_nobody_for_five_days():
    made = case([location("hall", "room_air")])
    made.moisture = [("hall", day(20))]
    said = alerts(alert("drive_lost", "hall", day(21), day(22)), alert("drive_lost", "hall", day(26), day(27)))
    assert score(made, said, tp.DRIVE).false == 1  # the second


def cold_wall(margin_k: float) -> Case:
    made = wall()
    made.margins_k = {"wall": [3.0] * 240 + [margin_k] * 12 + [3.0] * (70 * 24 - 252)}
    return made


def test_condensation_is_found():
    made = cold_wall(-0.8)
    made.truth.locations["wall"].condensation = [Condensation(day(10), at(252), 12.0, 0.8)]
    result = score(made, alerts(alert("condensation", "wall", at(241))), tp.CONDENSATION)
    assert (result.found["by less than 1 K"], result.delays_s) == (1, [HOUR_S])


def test_condensation_within_what_probes_can_tell_judges_nobody():
    made = cold_wall(-0.2)
    made.truth.locations["wall"].condensation = [Condensation(day(10), at(252), 12.0, 0.2)]
    result = score(made, alerts(alert("condensation", "wall", at(241), day(11))), tp.CONDENSATION)
    assert (sum(result.due.values()), result.false) == (0, 0)


def test_an_alarm_within_half_a_kelvin_of_the_dew_point_judges_nobody_and_further_off_it_is_false():
    said = alerts(alert("condensation", "wall", at(241), day(11)))
    assert score(cold_wall(0.4), said, tp.CONDENSATION).false == 0
    assert score(cold_wall(0.6), said, tp.CONDENSATION).false == 1


def test_mould_counts_from_index_one_and_near_it_judges_nobody():
    made = wall()
    index = [0.0] * (70 * 24)
    index[480:720] = [0.8] * 240  # days 20 to 30
    index[720:960] = [1.2] * 240  # days 30 to 40
    made.truth.locations["wall"].mould_index = index
    result = score(made, alerts(alert("mould", "wall", day(22)), alert("mould", "wall", day(5), day(6))), tp.MOULD)
    # the one on day 22 comes 8 days before index 1, and was open by then; the one on day 5 is false
    assert (result.found[""], result.delays_s, result.false) == (1, [0.0], 1)


def faulty(kind: str, noticeable_day: float = 10.0) -> Case:
    made = case([location("wall", "cavity")], [placement("p1", "wall")])
    made.truth.probe_faults = [ProbeFault("p1", "wall", kind, day(10), day(20), 1.0, day(noticeable_day))]
    return made


@pytest.mark.parametrize(
    ("kind", "said", "found"),
    [
        ("stuck", "probe_fault", 1),
        ("stuck", "probe_silent", 0),
        ("silent", "probe_silent", 1),
        ("gaps", "probe_silent", 1),
        ("battery", "low_battery", 1),
        ("drift", "low_battery", 0),
    ],
)
def test_which_alerts_find_which_faults(kind: str, said: str, found: int):
    made = faulty(kind)
    result = score(made, alerts(alert(said, "wall", day(11), day(19), probe="p1")), tp.FAULT)
    assert (result.found[kind], result.false) == (found, 0)


def test_a_fault_alert_about_another_probe_is_false():
    made = faulty("stuck")
    result = score(made, alerts(alert("probe_fault", "wall", day(11), day(19), probe="p2")), tp.FAULT)
    assert (result.found["stuck"], result.false) == (0, 1)


def test_a_fault_that_never_became_noticeable_judges_nobody():
    assert sum(score(faulty("drift", noticeable_day=25.0), Verdicts(), tp.FAULT).due.values()) == 0


def test_fault_rates_are_over_the_stays_of_probes():
    made = case(
        [location("wall", "cavity")],
        [placement("p1", "wall"), {**placement("p2", "wall"), "to": "2023-11-21T00:00:00Z"}],
    )
    # the job starts on 2023-11-14: ten weeks of one probe and one week of the other
    assert score(made, Verdicts(), tp.FAULT).exposure_s == 77 * DAY_S


def silent_for(hours: float) -> Case:
    made = case([location("wall", "cavity")], [placement("p1", "wall", interval_s=1800.0)])
    made.truth.silences = [Silence("p1", "wall", day(10), day(10) + hours * HOUR_S, "outage")]
    return made


def test_silences_shorter_than_twelve_intervals_judge_nobody():
    # six intervals of half an hour are 3 h; twice that must pass
    assert sum(score(silent_for(5.9), Verdicts(), tp.SILENCE).due.values()) == 0
    assert sum(score(silent_for(6.0), Verdicts(), tp.SILENCE).due.values()) == 1


def test_a_silence_is_found_once_it_is_longer_than_usual():
    result = score(silent_for(12), alerts(alert("probe_silent", "wall", at(243), at(252), probe="p1")), tp.SILENCE)
    assert (result.found["outage"], result.delays_s, result.false) == (1, [3 * HOUR_S], 0)


def test_a_goal_out_of_reach_is_found():
    made = wall()
    made.truth.locations["wall"].never_in_this_air = [(day(10), day(20))]
    result = score(made, alerts(alert("goal_unreachable", "wall", day(12))), tp.NEVER)
    assert (result.found[""], result.delays_s) == (1, [2 * DAY_S])
