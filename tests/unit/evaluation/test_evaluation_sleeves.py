"""Predictions and claims about sealed sleeves. The sleeve is sealed at hour 10; its air has settled at hour 60."""

from __future__ import annotations

from evaluation_support import LENGTH_H, at, case, day, location, settled

from simulators.evaluation.matching import HOUR_S
from simulators.evaluation.records import Case, EquilibriumRecord, Verdicts
from simulators.evaluation.sleeves import SleeveScore, score_sleeves
from simulators.truth.records import ProbeFault, iso


def sleeve() -> Case:
    made = case([location("floor", "slab_sleeve", sealed_at=iso(at(10)))])
    floor = made.truth.locations["floor"]
    floor.settled_s = [at(60)]
    floor.concrete_rh = [90.0] * 24 + [88.0] * (int(LENGTH_H) - 24)
    return made


def reopened() -> Case:
    """Open again from hour 500 to 501, and settled again at hour 550."""
    made = sleeve()
    made.truth.locations["floor"].openings = [(at(500), at(501))]
    made.truth.locations["floor"].settled_s = [at(60), at(550)]
    return made


def score(made: Case, *rows: EquilibriumRecord) -> SleeveScore:
    return score_sleeves(made, Verdicts(equilibrium=list(rows)))


def test_the_newest_prediction_counts_against_the_concrete_at_that_time():
    result = score(sleeve(), settled(at(12), "floor", False, 84.0), settled(at(21), "floor", False, 87.5))
    # 12 h after sealing is hour 22: concrete 90; 24 h: hour 34, concrete 88, and no newer prediction
    assert result.errors_pct[12] == [2.5]
    assert result.errors_pct[24] == [0.5]


def test_a_prediction_from_before_the_sealing_is_none():
    result = score(sleeve(), settled(at(9), "floor", False, 90.0))
    assert (result.due[12], result.errors_pct[12]) == (1, [])


def test_each_opening_asks_for_new_predictions():
    result = score(reopened(), settled(at(499), "floor", True, 88.0), settled(at(510), "floor", False, 87.0))
    assert result.due[24] == 2
    # hour 525 against 88
    assert result.errors_pct[24][-1] == 1.0


def test_times_after_the_next_opening_are_not_asked_for():
    made = reopened()
    made.truth.locations["floor"].openings = [(at(500), at(501)), (at(530), at(531))]
    # 48 h after closing at hour 501 it is open again; left are the first and the last sealing
    assert score(made).due[48] == 2
    assert score(made).due[24] == 3


def test_an_approach_that_began_before_the_readings_is_not_asked_for():
    made = sleeve()
    made.job["locations"][0]["sealed_at"] = iso(at(-5))
    assert score(made).due[72] == 0


def test_predictions_of_a_faulty_probe_are_not_asked_for():
    made = sleeve()
    made.truth.probe_faults = [ProbeFault("p1", "floor", "offset", at(40), day(70), 8.0, at(40))]
    result = score(made)
    # the fault begins between 24 h (hour 34) and 48 h (hour 58) after sealing
    assert (result.due[24], result.due[48]) == (1, 0)


def test_whether_the_interval_held_the_truth():
    row = EquilibriumRecord(at(21), "floor", 87.5, 85.0, 90.0, False)
    result = score(sleeve(), row)
    # hour 22: 90, its upper end; hour 34: 88, within
    assert (result.inside[12], result.inside[24]) == (1, 1)
    assert score(sleeve(), EquilibriumRecord(at(21), "floor", 87.5, 86.0, 89.0, False)).inside[12] == 0


def test_a_claim_after_settling_is_right():
    result = score(sleeve(), settled(at(70), "floor", False), settled(at(90), "floor", True))
    assert (result.claims, result.premature) == (1, 0)
    # settled at hour 60
    assert result.lateness_s == [30 * HOUR_S]
    # the clock has run at hour 82, later than 12 h after settling at hour 72
    assert result.beyond_s == [8 * HOUR_S]


def test_a_claim_before_settling_is_too_early():
    result = score(sleeve(), settled(at(50), "floor", True))
    assert (result.claims, result.premature, result.lateness_s) == (1, 1, [])


def test_repeating_a_claim_is_no_new_one_but_taking_it_up_again_is():
    rows = [settled(at(90 + h), "floor", state) for h, state in ((0, True), (6, True), (12, False), (18, True))]
    result = score(sleeve(), *rows)
    assert (result.claims, result.premature) == (2, 0)
    # only the first right claim has a lateness
    assert len(result.lateness_s) == 1


def test_a_claim_that_outlives_an_opening_is_as_good_as_claimed_again():
    rows = [settled(at(90), "floor", True), settled(at(503), "floor", True), settled(at(508), "floor", True)]
    result = score(reopened(), *rows)
    # right at hour 90; still standing 7 h after hour 501, and not settled before hour 550
    assert (result.claims, result.premature) == (2, 1)


def test_a_claim_withdrawn_soon_after_an_opening_is_none():
    rows = [settled(at(90), "floor", True), settled(at(503), "floor", True), settled(at(506), "floor", False)]
    assert score(reopened(), *rows).premature == 0


def test_a_sleeve_that_settled_and_was_never_called_so_is_counted():
    result = score(sleeve(), settled(at(90), "floor", False))
    assert (result.settled, result.unclaimed) == (1, 1)


def test_a_claim_that_came_too_early_and_stands_is_not_one_that_was_never_made():
    result = score(sleeve(), settled(at(50), "floor", True), settled(at(90), "floor", True))
    assert (result.premature, result.unclaimed) == (1, 0)


def test_a_sealing_that_ends_within_a_day_of_the_clock_asks_for_no_claim():
    made = sleeve()
    made.truth.locations["floor"].openings = [(at(105), at(LENGTH_H) + 1.0)]
    # the clock has run at hour 82, 23 h before it is opened
    assert score(made).settled == 0
