"""What the verdict on a sleeve's ensemble becomes: state, words, forecast and findings, none against another."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from analysis_series import SLEEVE, START_S, blanked, location, track

from monitord.analysis.goals import GoalResult, assess_sleeve, by_posterior
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.slabs.posterior.queries.check_gain import CheckGain
from monitord.analysis.slabs.posterior.queries.date import GoalDate
from monitord.analysis.slabs.posterior.queries.level import Level
from monitord.analysis.slabs.posterior.queries.stall import SlabStall, StallCause
from monitord.analysis.slabs.posterior.verdict import SleeveVerdict
from monitord.model.assessments import State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Goal
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker
from monitord.text.states import check_sentence, state_sentence

DAYS = 12.0
AS_OF = START_S + 86_400.0 * 11.5
AS_OF_TIME = datetime.fromtimestamp(AS_OF, UTC)
HOUR_S = START_S + 86_400.0 * DAYS
DRYING = SleeveVerdict(
    AS_OF, Level(88.0, 0.8, -0.3, 0.1, 60.0), False, 0.01, None, SlabStall(False, 0.1, None, 60.0), False, 0.05,
    GoalDate(10.0, 20.0, 40.0), None,
)  # fmt: skip


def goal(metric: str = "equilibrium_rh_pct") -> Goal:
    return Goal.model_validate({"metric": metric, "limit": 80.0, "window_h": 24})


def changed(**values: object) -> SleeveVerdict:
    return SleeveVerdict(**({name: getattr(DRYING, name) for name in SleeveVerdict.__dataclass_fields__} | values))  # type: ignore[arg-type]


def judged(verdict: SleeveVerdict | None, series: HourlySeries | None = None, caught_up: bool = True) -> GoalResult:
    series = series or track(location(SLEEVE), 20.0, 88.0, DAYS)
    return assess_sleeve(series, goal(), None, verdict, caught_up, START_S, HOUR_S, AnalysisOptions())


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
    assert never.facts.cause is None
    fed = judged(changed(never=True, stall=SlabStall(False, 0.4, StallCause.FED_FROM_BELOW, 84.0)))
    assert fed.state is State.OUT_OF_REACH
    said = state_sentence(Speaker(language(), UTC, AS_OF_TIME), fed.state, fed.facts)
    assert said == "88.0 ± 1.2 % RH; moisture comes in from below: not at 80 % RH within a year."
    unreachable = next(finding for finding in fed.findings if finding.kind == "goal_unreachable")
    assert unreachable.facts.cause == fed.facts.cause
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


def said_of_a_check(verdict: SleeveVerdict) -> str:
    return check_sentence(Speaker(language("en"), UTC, AS_OF_TIME), judged(verdict).facts)


def test_where_a_check_would_narrow_the_date_it_says_from_what_to_what() -> None:
    gain = CheckGain(21.0, 9.0, 0.9)
    narrow = "A check of the probe to ± 1 % RH would narrow the goal's date from a span of 21 days to 9 days."
    assert said_of_a_check(changed(gain=gain)) == narrow
    # hardly narrower, narrow already, or no date
    assert said_of_a_check(changed(gain=CheckGain(21.0, 15.0, 0.9))) == ""
    assert said_of_a_check(changed(gain=CheckGain(6.9, 3.0, 0.9))) == ""
    assert said_of_a_check(changed(gain=CheckGain(float("nan"), float("nan"), 0.9))) == ""
    assert said_of_a_check(changed(gain=None)) == ""


def test_where_the_goal_may_be_met_a_check_would_settle_it() -> None:
    open_goal = changed(goal_probability=0.4, gain=CheckGain(21.0, 9.0, 0.6))
    settled = "A check of the probe to ± 1 % RH would settle whether it is at goal: likely (60 %)."
    assert said_of_a_check(open_goal) == settled
    for far in (changed(goal_probability=0.14, gain=open_goal.gain), changed(gain=CheckGain(21.0, 9.0, 0.49))):
        assert "at goal" not in said_of_a_check(far)


def test_an_alert_of_a_sleeve_says_what_a_check_would_gain() -> None:
    stalled = changed(stall=SlabStall(True, 0.9, StallCause.END_OVER_LIMIT, 84.0), gain=CheckGain(60.0, 20.0, 0.5))
    told = {finding.kind.value: finding.facts for finding in judged(stalled).findings}
    assert told["drying_stalled"].date_span_s == 60.0 * 86_400.0
    assert told["goal_unreachable"].checked_span_s == 20.0 * 86_400.0
    assert told["goal_reached"].check is None
