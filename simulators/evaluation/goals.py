"""Are claims that a goal is met true?"""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.evaluation.matching import DAY_S, HOUR_S, Item
from simulators.evaluation.records import AlertRecord, Case, Span, Verdicts
from simulators.truth.records import LocationTruth

_NEAR_S = HOUR_S
"""The truth is known by the hour."""
_LASTING_S = 3 * DAY_S


@dataclass
class GoalScore:
    """Claims that a goal is met; scores of several jobs add up."""

    claims: int = 0
    premature: int = 0
    lateness_s: list[float] = field(default_factory=list)
    """Right claims: since the goal has been met."""
    met: int = 0
    """Locations whose goal was met for three days on end."""
    never_claimed: int = 0
    """Of those, at which it was not said within any such time."""
    items: list[Item] = field(default_factory=list)

    def add(self, other: GoalScore) -> None:
        """Take another job's score in."""
        self.claims += other.claims
        self.premature += other.premature
        self.lateness_s += other.lateness_s
        self.met += other.met
        self.never_claimed += other.never_claimed
        self.items += other.items


def score_goals(case: Case, said: Verdicts) -> GoalScore:
    """Score the claims of one job."""
    score, start_s = GoalScore(), case.truth.start_s
    for key, location in case.truth.locations.items():
        if location.goal is None:
            continue
        claims = [a for a in said.alerts if a.kind == "goal_reached" and a.location == key]
        for claim in claims:
            score.claims += 1
            spans = [(a, b) for a, b in location.goal_met if a - _NEAR_S <= claim.opened_s <= b + _NEAR_S]
            if spans:
                score.lateness_s.append(max(0.0, claim.opened_s - spans[0][0]))
            else:
                score.premature += 1
                day = (claim.opened_s - start_s) / DAY_S
                words = f"truth {_truth_at(location, claim.opened_s):.1f}, said: {claim.words}"
                score.items.append(Item("at goal", "too early", case.name, key, day, words))
        lasting = [(a, b) for a, b in location.goal_met if b - a >= _LASTING_S]
        score.met += bool(lasting)
        if lasting and not any(_open_in(claim, span) for claim in claims for span in lasting):
            score.never_claimed += 1
            a, b = lasting[0]
            words = f"met for {(b - a) / DAY_S:.1f} days"
            score.items.append(Item("at goal", "not said", case.name, key, (a - start_s) / DAY_S, words))
    return score


def _open_in(claim: AlertRecord, span: Span) -> bool:
    return claim.opened_s <= span[1] and (claim.closed_s is None or claim.closed_s > span[0])


def _truth_at(location: LocationTruth, time_s: float) -> float:
    at = min(range(len(location.hour_s)), key=lambda k: abs(location.hour_s[k] - time_s))
    return location.metric_windowed[at]
