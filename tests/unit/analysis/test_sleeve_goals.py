"""What the verdict on a sleeve's ensemble becomes: state, words, forecast and findings, none against another."""

from __future__ import annotations

from datetime import UTC

import pytest
from analysis_series import SLEEVE, START_S, blanked, location, track

from monitord.analysis.goals import GoalResult, by_posterior, judge_sleeve
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.slabs.posterior.questions.date import GoalDate
from monitord.analysis.slabs.posterior.questions.level import Level
from monitord.analysis.slabs.posterior.questions.stall import SlabStall, StallCause
from monitord.analysis.slabs.posterior.verdict import SleeveVerdict
from monitord.model.assessments import State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker
from monitord.text.states import state_sentence

DAYS = 12.0
AS_OF = START_S + 86_400.0 * 11.5
HOUR_S = START_S + 86_400.0 * DAYS
DRYING = SleeveVerdict(
    AS_OF, Level(88.0, 0.8, -0.3, 0.1, 60.0), False, 0.01, None, SlabStall(False, 0.1, None, 60.0), False, 0.05,
    GoalDate(10.0, 20.0, 40.0),
)  # fmt: skip


def goal(metric: str = "equilibrium_rh_pct") -> Goal:
    return Goal.model_validate({"metric": metric, "limit": 80.0, "window_h": 24})


def changed(**values: object) -> SleeveVerdict:
    return SleeveVerdict(**({name: getattr(DRYING, name) for name in SleeveVerdict.__dataclass_fields__} | values))  # type: ignore[arg-type]


def judged(verdict: SleeveVerdict | None, here: HourlySeries | None = None, caught_up: bool = True) -> GoalResult:
    here = here or track(location(SLEEVE), 20.0, 88.0, DAYS)
    return judge_sleeve(here, goal(), None, verdict, caught_up, START_S, HOUR_S, AnalysisOptions())


def values(view: GoalResult) -> dict[str, str]:
    return {finding.kind.value: str(finding.truth) for finding in view.findings}


def test_a_drying_sleeve_has_a_rate_a_date_with_its_odds_and_no_alarm() -> None:
    view = judged(DRYING)
    assert view.state is State.DRYING
    assert set(values(view).values()) == {"false"}
    assert view.drying is not None
    assert view.drying.rate_per_day is not None
    assert (view.drying.rate_per_day.value, view.drying.rate_per_day.u) == (-0.3, 0.1)
    assert view.forecast is not None
    assert view.forecast.middle is not None
    assert view.forecast.middle.timestamp() == pytest.approx(AS_OF + 20 * 86_400.0)
    assert view.forecast.never_probability == 0.05
    assert not view.forecast.never


def test_a_date_that_has_passed_since_the_days_end_is_now() -> None:
    view = judged(changed(date=GoalDate(0.1, 0.6, 3.0)))
    assert view.forecast is not None
    assert view.forecast.low is not None
    assert view.forecast.middle is not None
    assert view.forecast.low.timestamp() == HOUR_S
    assert view.forecast.middle.timestamp() == pytest.approx(AS_OF + 0.6 * 86_400.0)


@pytest.mark.parametrize(("rate", "state"), [(-0.1, State.NO_CLEAR_TREND), (0.3, State.NOT_DRYING)])
def test_a_rate_within_its_uncertainty_is_no_trend_and_a_rise_is_no_drying(rate: float, state: State) -> None:
    view = judged(changed(level=Level(88.0, 0.8, rate, 0.1, 60.0)))
    assert view.state is state
    assert view.facts.rate is not None
    assert view.facts.rate.value == rate


def test_never_is_out_of_reach_and_a_chance_of_it_leaves_the_latest_date_open() -> None:
    never = judged(changed(never=True, never_probability=0.9))
    assert (never.state, never.facts.never, never.facts.low) == (State.OUT_OF_REACH, True, None)
    perhaps = judged(changed(never_probability=0.2))
    assert perhaps.state is State.DRYING
    assert perhaps.facts.low is not None
    assert perhaps.facts.high is None
    assert judged(changed(never_probability=0.19)).facts.high is not None


SAID = {
    StallCause.FED_FROM_BELOW: "moisture comes in from below",
    StallCause.END_OVER_LIMIT: "this air holds it near 84 % RH",
    StallCause.AIR_WETTER: "the room air is more humid than it was",
}


@pytest.mark.parametrize("cause", list(StallCause))
def test_a_stall_says_its_cause_everywhere(cause: StallCause) -> None:
    view = judged(changed(stall=SlabStall(True, 0.9, cause, 84.0), never=True, never_probability=0.9))
    assert view.state is State.STALLED
    assert values(view) == {"goal_reached": "false", "drying_stalled": "true", "goal_unreachable": "true"}
    assert view.forecast is not None
    assert view.forecast.never
    assert view.forecast.middle is None
    stalled = next(finding for finding in view.findings if finding.kind == "drying_stalled")
    assert (view.facts.cause, view.facts.end) == (stalled.facts.cause, stalled.facts.end)
    assert view.facts.end is not None
    assert view.facts.end.value == 84.0
    said = state_sentence(Speaker(language(), UTC, view.forecast.made_at), view.state, view.facts)
    assert SAID[cause] in said


def test_at_its_goal_there_is_no_forecast_and_the_time_since_when() -> None:
    view = judged(changed(at_goal=True, at_goal_since_s=AS_OF - 86_400.0, date=None))
    assert view.state is State.AT_GOAL
    assert values(view) == {"goal_reached": "true", "drying_stalled": "false", "goal_unreachable": "false"}
    assert view.forecast is None
    assert view.drying is not None
    assert view.drying.since is not None
    assert view.drying.since.timestamp() == AS_OF - 86_400.0


@pytest.mark.parametrize(("probability", "state"), [(0.49, State.DRYING), (0.51, State.DRYING_SLOWLY)])
def test_slow_by_physics_is_no_alarm(probability: float, state: State) -> None:
    view = judged(changed(stall=SlabStall(False, probability, None, 60.0)))
    assert view.state is state
    assert values(view)["drying_stalled"] == "false"


def test_until_the_ensemble_has_caught_up_nothing_is_known_and_alerts_are_held() -> None:
    view = judged(None, caught_up=False)
    assert view.state is State.TOO_EARLY
    assert view.facts.being_computed
    assert set(values(view).values()) == {"unknown"}


def test_a_silent_sleeve_is_unknown_and_one_without_a_whole_day_too_early() -> None:
    silent = blanked(track(location(SLEEVE), 20.0, 88.0, DAYS), 24 * 10)
    assert judged(DRYING, silent).state is State.NO_DATA
    assert judged(None).state is State.TOO_EARLY


def test_the_ensemble_judges_a_sleeves_own_humidity_and_nothing_else() -> None:
    def asked(metric: str, kind: object = SLEEVE) -> bool:
        return by_posterior(location(kind, goal=goal(metric).model_dump()))  # type: ignore[arg-type]

    assert asked("equilibrium_rh_pct")
    assert asked("rh_pct")
    assert not asked("vp_excess_pa")
    assert not by_posterior(location(SLEEVE))
