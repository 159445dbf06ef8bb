"""The whole score of what somebody said of jobs: events, goals, sleeves, forecasts and nights."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from simulators.evaluation.forecasts import ForecastScore, score_forecasts
from simulators.evaluation.goals import GoalScore, score_goals
from simulators.evaluation.matching import EventScore, Item, score_events
from simulators.evaluation.nights import NightScore, score_nights
from simulators.evaluation.records import Case, Verdicts
from simulators.evaluation.sleeves import SleeveScore, score_sleeves
from simulators.evaluation.topics import topics


@dataclass
class Score:
    """All scores of one job or of many."""

    jobs: int = 0
    events: dict[str, EventScore] = field(default_factory=dict)
    goals: GoalScore = field(default_factory=GoalScore)
    sleeves: SleeveScore = field(default_factory=SleeveScore)
    forecasts: ForecastScore = field(default_factory=ForecastScore)
    nights: NightScore = field(default_factory=NightScore)

    def add(self, other: Score) -> None:
        """Take another score in."""
        self.jobs += other.jobs
        for topic, score in other.events.items():
            self.events.setdefault(topic, EventScore()).add(score)
        self.goals.add(other.goals)
        self.sleeves.add(other.sleeves)
        self.forecasts.add(other.forecasts)
        self.nights.add(other.nights)

    def items(self) -> Iterator[Item]:
        """Every miss, false alarm and poor forecast."""
        for score in self.events.values():
            yield from score.items
        yield from self.goals.items
        yield from self.sleeves.items
        yield from self.forecasts.items
        yield from self.nights.items


def score_case(case: Case, said: Verdicts) -> Score:
    """Score what was said of one job."""
    return Score(
        jobs=1,
        events={topic.name: score_events(topic, case.name, case.truth.start_s) for topic in topics(case, said)},
        goals=score_goals(case, said),
        sleeves=score_sleeves(case, said),
        forecasts=score_forecasts(case, said),
        nights=score_nights(case, said),
    )


def total(scores: Iterable[Score]) -> Score:
    """The sum of scores."""
    result = Score()
    for score in scores:
        result.add(score)
    return result
