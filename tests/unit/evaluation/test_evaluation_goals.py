"""Claims that a goal is met, against when it was."""

from __future__ import annotations

from evaluation_support import alert, alerts, at, case, day, location, with_goal

from simulators.evaluation.goals import GoalScore, score_goals
from simulators.evaluation.matching import DAY_S, HOUR_S
from simulators.evaluation.records import Case, Verdicts


def met_from_day_20_to_30() -> Case:
    made = case([location("wall", "cavity")])
    with_goal(made.truth.locations["wall"], [(day(20), day(30))], day(20))
    return made


def score(*opened: float, closed_s: float | None = None) -> GoalScore:
    return score_goals(met_from_day_20_to_30(), alerts(*(alert("goal_reached", "wall", t, closed_s) for t in opened)))


def test_a_claim_while_the_goal_is_met_is_right_and_late_by_the_time_since():
    result = score(day(22))
    assert (result.claims, result.premature, result.lateness_s) == (1, 0, [2 * DAY_S])


def test_a_claim_before_is_too_early():
    result = score(day(18))
    assert (result.claims, result.premature, result.lateness_s) == (1, 1, [])


def test_a_claim_after_the_goal_was_lost_again_is_untrue():
    assert score(day(31)).premature == 1


def test_the_hour_of_the_truth_is_no_matter():
    # the goal is met from hour 480 on
    assert score(at(479.5)).premature == 0
    assert score(at(478.5)).premature == 1


def test_every_opening_is_a_claim():
    # three claims, two of them too early
    result = score(day(15), day(17), day(21))
    assert (result.claims, result.premature) == (3, 2)


def test_a_goal_that_is_met_and_never_said_is_counted():
    result = score_goals(met_from_day_20_to_30(), Verdicts())
    assert (result.met, result.never_claimed) == (1, 1)


def test_a_claim_that_came_too_early_and_still_stands_is_not_one_that_was_never_made():
    result = score(day(18))
    assert (result.premature, result.never_claimed) == (1, 0)


def test_a_claim_withdrawn_before_is_as_good_as_none():
    assert score(day(18), closed_s=day(19)).never_claimed == 1


def test_a_goal_met_for_less_than_three_days_need_not_be_said():
    made = case([location("wall", "cavity")])
    with_goal(made.truth.locations["wall"], [(day(20), day(20) + 71 * HOUR_S)], day(20))
    assert score_goals(made, Verdicts()).met == 0


def test_claims_elsewhere_do_not_count_here():
    result = score_goals(met_from_day_20_to_30(), alerts(alert("goal_reached", "floor", day(22))))
    assert (result.claims, result.never_claimed) == (0, 1)
