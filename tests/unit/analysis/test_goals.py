"""The state of an element on its way to its goal, its words, its forecast and its findings."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from analysis_series import (
    CAVITY,
    ROOM,
    START_S,
    VOID,
    blanked,
    daily,
    hours,
    house,
    location,
    noise,
    references_until,
    track,
    track_at,
    until,
)

from monitord.analysis.goals import GoalResult, assess_goal
from monitord.analysis.hourly_results import HourlyResults, assess_goals
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries, TimberSpot
from monitord.analysis.stall import naming_equipment
from monitord.model.assessments import Finding, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import Cause, Facts, Truth
from monitord.model.jobs import Goal, JobFile
from monitord.model.series import HOUR_S, Array
from monitord.model.site.equipment import Equipment
from monitord.physics.moist_air import saturation_vapour_pressure

OPTIONS = AnalysisOptions()
DAYS = 30.0
H = hours(DAYS)
N = len(H)
KINDS = ("goal_reached", "drying_stalled", "goal_unreachable")


def goal(metric: str = "rh_pct", limit: float = 65.0) -> Goal:
    return Goal.model_validate({"metric": metric, "limit": limit, "window_h": 24})


def wet_finding(value: float | None) -> Finding:
    return Finding.model_validate(
        {
            "kind": "rewetting",
            "location": "x",
            "measured_at": "2025-01-20T00:00:00Z",
            "truth": Truth.of(None if value is None else value == 1.0),
            "facts": {"value": {"value": 85.0, "unit": "% RH"}},
        }
    )


def judged(
    series: HourlySeries,
    references: ReferenceSeries,
    wanted: Goal,
    day: float,
    *,
    wet: float | None = None,
    lost: bool = False,
    settled_s: float = -np.inf,
) -> GoalResult:
    hour = round(24 * day)
    finding = None if wet is None else wet_finding(wet)
    past, airs = until(series, hour), references_until(references, hour)
    return assess_goal(past, airs, wanted, finding, lost, settled_s, START_S + hour * HOUR_S, OPTIONS)


def values(view: GoalResult) -> dict[str, Truth | None]:
    return {finding.kind.value: finding.truth for finding in view.findings}


def in_room(rh_end: float, tau_d: float, start: float = 92.0, t: float = 16.0) -> tuple[HourlySeries, ReferenceSeries]:
    """A cavity that falls from `start` to what the room's air gives it."""
    inside = track_at(
        location(ROOM), 19.0, rh_end / 100.0 * float(saturation_vapour_pressure(t)) + noise(N, 4.0, 1), DAYS
    )
    rh = rh_end + (start - rh_end) * np.exp(-H / 24.0 / tau_d)
    return track(location(CAVITY), t, rh + noise(N, 0.15, 2), DAYS), ReferenceSeries(inside, inside, None)


def test_the_first_day_and_a_half_are_too_early_for_anything() -> None:
    view = judged(*in_room(50.0, 8.0), goal(), 1.5)
    assert view.state is State.TOO_EARLY
    assert values(view) == dict.fromkeys(KINDS, Truth.FALSE)
    assert view.forecast is None


def test_an_element_that_falls_towards_dry_air_is_drying_with_a_rate_a_date_and_no_alarm() -> None:
    view = judged(*in_room(50.0, 8.0), goal(), 6.0)
    assert view.state is State.DRYING
    assert view.drying is not None
    assert view.drying.rate_per_day is not None
    middle_slope = -42.0 * (np.exp(-1.0 / 8.0) - np.exp(-6.0 / 8.0)) / 5.0
    assert view.drying.rate_per_day.value == pytest.approx(middle_slope, rel=0.12)
    assert view.drying.value is not None
    assert view.drying.value.u == pytest.approx(0.6)
    assert (view.facts.value, view.facts.rate) == (view.drying.value, view.drying.rate_per_day)
    assert values(view) == dict.fromkeys(KINDS, Truth.FALSE)
    assert view.forecast is not None
    assert view.forecast.middle is not None
    dates = (view.facts.low, view.facts.middle, view.facts.high)
    assert dates == (view.forecast.low, view.forecast.middle, view.forecast.high)


def test_an_element_that_has_come_to_its_airs_humidity_above_the_goal_is_stalled_and_says_why() -> None:
    view = judged(*in_room(74.0, 3.0), goal(), 22.0)
    assert view.state is State.STALLED
    assert values(view) == {"goal_reached": "false", "drying_stalled": "true", "goal_unreachable": "true"}
    assert view.facts.cause is Cause.AIR_HOLDS
    assert view.facts.end is not None
    assert view.facts.end.value == pytest.approx(74.0, abs=1.0)
    assert view.facts.goal is not None
    assert view.facts.goal.value == 65.0
    assert (view.facts.rate, view.facts.low, view.facts.high) == (None, None, None), "a stall gives no date"
    assert view.facts.since is not None
    assert view.facts.since.timestamp() == START_S + 8 * 86_400.0, "1.3 %RH in 14 days are no progress of 9"
    assert view.forecast is not None
    assert view.forecast.never


@pytest.mark.parametrize(("dry_pct", "wet", "told"), [(0.0, None, "true"), (11.0, None, "false"), (11.0, 1.0, "true")])
def test_what_met_its_goal_lately_and_is_lifted_by_its_air_is_no_alarm_unless_water_came(
    dry_pct: float, wet: float | None, told: str
) -> None:
    """Two days of dry air met the goal three weeks ago; before and since the air holds the cavity over it."""
    dry = dry_pct * (np.abs(H - 24 * 5) < 20)
    vapour = (74.0 - dry / 2.0) / 100.0 * float(saturation_vapour_pressure(16.0)) + noise(N, 4.0, 1)
    air = track_at(location(ROOM), 19.0, vapour, DAYS)
    series = track(location(CAVITY), 16.0, 74.0 - dry + 14.0 * np.exp(-H / 20.0) + noise(N, 0.15, 2), DAYS)
    view = judged(series, ReferenceSeries(air, air, None), goal(), 28.0, wet=wet)
    assert view.state is (State.STALLED if wet is None else State.REWETTING)
    assert values(view)["drying_stalled"] == told


@pytest.mark.parametrize(("day", "said"), [(4.9, "false"), (5.1, "true")])
def test_never_is_not_said_of_less_than_five_days(day: float, said: str) -> None:
    view = judged(*in_room(85.0, 1.0), goal(), day)
    assert values(view)["goal_unreachable"] == said
    assert (view.forecast is None) == (said == "false")
    assert (view.state is State.OUT_OF_REACH) == (said == "true")


def test_water_goes_before_every_other_state() -> None:
    series, references = in_room(40.0, 2.0)
    assert judged(series, references, goal(), 14.0).state is State.AT_GOAL
    view = judged(series, references, goal(), 14.0, wet=1.0)
    assert view.state is State.REWETTING
    assert view.facts.value == wet_finding(1.0).facts.value, "the rise that was judged, no other number"
    assert values(view)["drying_stalled"] is Truth.FALSE
    assert judged(series, references, goal(), 14.0, wet=0.0).state is State.AT_GOAL


def test_at_goal_names_level_goal_and_since_when_and_needs_no_forecast() -> None:
    series, references = in_room(40.0, 2.0)
    view = judged(series, references, goal(), 14.0)
    assert values(view) == {"goal_reached": "true", "drying_stalled": "false", "goal_unreachable": "false"}
    assert view.forecast is None
    assert view.drying is not None
    assert view.drying.since is not None
    # 40 + 52 exp(-t/2 d), mean of a day, comes to 65 - 1.65*0.6 in closed form
    lifted = 2.0 * (np.exp(0.5) - 1.0)
    day = 2.0 * np.log(52.0 * lifted / (25.0 - 1.65 * 0.6))
    assert (view.drying.since.timestamp() - START_S) / 86_400.0 == pytest.approx(day, abs=0.15)
    assert view.facts.since == view.drying.since


def test_a_level_within_the_probes_uncertainty_of_the_goal_is_not_called_met() -> None:
    inside = track(location(ROOM), 19.0, 40.0, DAYS)
    series = track(location(CAVITY), 19.0, 64.5 + noise(N, 0.1, 7), DAYS)
    assert values(judged(series, ReferenceSeries(inside, inside, None), goal(), 20.0))["goal_reached"] is Truth.FALSE


@pytest.mark.parametrize("day", [10.0, 20.0])
def test_a_silent_place_is_unknown_whatever_it_was_before(day: float) -> None:
    for end in (40.0, 74.0, 50.0):
        series, references = in_room(end, 4.0)
        view = judged(blanked(series, round(24 * day) - 30), references, goal(), day)
        assert view.state is State.NO_DATA
        assert values(view) == dict.fromkeys(KINDS, Truth.UNKNOWN)
        assert (view.forecast, view.drying) == (None, None)


def test_heating_by_day_only_does_not_make_a_drying_place_look_stalled() -> None:
    """The room swings between 35 and 55 %RH every day; its mean dries the place."""
    inside = track(location(ROOM), 19.0 + 2.0 * daily(H), 45.0 - 10.0 * daily(H), DAYS)
    rh = 48.0 + 44.0 * np.exp(-H / 24.0 / 9.0) - 4.0 * daily(H, 18.0)
    series = track(location(CAVITY), 17.0 + 1.0 * daily(H, 17.0), rh + noise(N, 0.2, 8), DAYS)
    states = {
        judged(series, ReferenceSeries(inside, inside, None), goal(limit=60.0), day).state
        for day in np.arange(4.0, 11.0, 0.5)
    }
    assert states <= {State.DRYING, State.DRYING_SLOWLY, State.NO_CLEAR_TREND}


def test_a_goal_about_timber_is_not_met_because_the_air_beside_it_is_dry() -> None:
    """Air at 65 %RH holds timber at 12 % (Wood Handbook, Table 4-2); the joist is some weeks behind."""
    inside = track(location(ROOM), 20.0, 60.0, DAYS)
    series = track(location(VOID), 20.0, 65.0 + noise(N, 0.2, 9), DAYS)
    wanted = goal("timber_mc_pct", 16.0)
    for day in (5.0, 12.0):
        assert values(judged(series, ReferenceSeries(inside, inside, None), wanted, day))["goal_reached"] is Truth.FALSE
    late = goal("timber_mc_pct", 19.0)
    assert values(judged(series, ReferenceSeries(inside, inside, None), late, 30.0))["goal_reached"] is Truth.FALSE
    spot = TimberSpot(START_S + 20 * 86_400.0, 14.0, 1.0)
    measured = replace(series, spots=(spot,))
    assert values(judged(measured, ReferenceSeries(inside, inside, None), late, 30.0))["goal_reached"] is Truth.TRUE


def test_a_goal_about_an_excess_without_its_reference_says_nothing_yet() -> None:
    series = track(location(CAVITY), 16.0, 80.0, DAYS)
    wanted = goal("vp_excess_pa", 100.0)
    view = judged(series, ReferenceSeries(None, None, None), wanted, 10.0)
    assert (view.state, view.findings) == (State.TOO_EARLY, ())


def test_every_finding_carries_the_value_and_goal_of_the_state() -> None:
    view = judged(*in_room(74.0, 3.0), goal(), 14.0)
    assert len(view.findings) == 3
    for finding in view.findings:
        assert finding.location == "cavity"
        assert (finding.facts.value, finding.facts.goal) == (view.facts.value, view.facts.goal)


def test_the_same_readings_give_the_same_verdict() -> None:
    def once() -> Array:
        series, references = in_room(50.0, 8.0)
        return np.array([judged(series, references, goal(), 9.0)], dtype=object)

    assert once()[0] == once()[0]


# --- equipment beside a stall ------------------------------------------------------------------------------------

AT = datetime.fromtimestamp(START_S + 22 * 86_400.0, UTC)
DAY = timedelta(days=1)


def house_with(*machines: Equipment) -> JobFile:
    return house(location(CAVITY, goal=goal().model_dump()), location(ROOM)).model_copy(update={"equipment": machines})


def drier(to_days_ago: float | None, where: str = "room_air", kind: str = "dehumidifier") -> Equipment:
    to = None if to_days_ago is None else AT - to_days_ago * DAY
    values = {"id": f"m{to_days_ago}", "kind": kind, "location_id": where, "from": AT - 20 * DAY, "to": to}
    return Equipment.model_validate(values)


@pytest.mark.parametrize(
    ("machines", "cause", "named"),
    [
        ((drier(4.0),), Cause.AIR_HOLDS, 4.0),
        ((drier(4.0), drier(6.0)), Cause.ROOM_MORE_HUMID, 4.0),
        ((drier(13.9),), Cause.AIR_HOLDS, 13.9),
        ((drier(14.1),), Cause.AIR_HOLDS, None),
        ((drier(4.0), drier(None)), Cause.AIR_HOLDS, None),
        ((drier(-1.0),), Cause.AIR_HOLDS, None),
        ((drier(4.0, kind="air_mover"),), Cause.AIR_HOLDS, None),
        ((drier(4.0, where="cavity"),), Cause.AIR_HOLDS, None),
        ((drier(4.0),), Cause.FED_FROM_BELOW, None),
        ((drier(4.0),), None, None),
        ((), Cause.AIR_HOLDS, None),
    ],
)
def test_a_stall_by_the_air_names_when_the_rooms_last_dehumidifier_was_taken_out(
    machines: tuple[Equipment, ...], cause: Cause | None, named: float | None
) -> None:
    job = house_with(*machines)
    facts = naming_equipment(Facts(cause=cause), job, job.locations[0], AT)
    assert facts.dehumidifier_out_at == (None if named is None else AT - named * DAY)


def test_state_and_finding_of_a_stalled_element_carry_it() -> None:
    series, references = in_room(74.0, 3.0)
    job, n = house_with(drier(4.0)), round(24 * 22.0)
    room = references.room
    assert room is not None
    series = {CAVITY.value: until(series, n), ROOM.value: until(room, n)}
    element = assess_goals(job, HourlyResults(AT.timestamp(), all_series=series), OPTIONS)[CAVITY.value]
    assert element.state is State.STALLED
    stalled = next(f for f in element.findings if f.kind == "drying_stalled")
    assert element.facts.dehumidifier_out_at == stalled.facts.dehumidifier_out_at == AT - 4.0 * DAY
