"""What pages say: numbers, ages, times, states, forecasts, sentences."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
import web_support as support
from hypothesis import given
from hypothesis import strategies as st

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.alerts import Severity
from monitord.model.assessments import Flow, Forecast, State
from monitord.model.facts import Cause, Facts, FindingKind
from monitord.model.jobs import Location, LocationKind
from monitord.model.site.spots import Spot, SpotGoal, SpotKind
from monitord.text.catalogue import language
from monitord.text.formats import amount as sentence_amount
from monitord.text.times import offset_name
from monitord.web.charts.event_markers import markers_of, openings_of
from monitord.web.charts.time_range import choose
from monitord.web.page_context import STATIC
from monitord.web.queries import JobState
from monitord.web.routes.typed import FormError, Typed, pressed_at
from monitord.web.text.formats import amount, magnitude, number, percent, plain
from monitord.web.text.local_time import LocalTimes, age_words
from monitord.web.text.words import STATES, alert_style, alert_title, flow_words, style_of
from monitord.web.views.alert_view import Tier, alert_views
from monitord.web.views.job_list import needs_now
from monitord.web.views.job_view import day_words, lead, need_words, out_of_reach, page_lead, progress
from monitord.web.views.location_view import LocationView, dry_words, location_view
from monitord.web.views.needs import Needs
from monitord.web.views.progress_bar import GOAL_X, progress_bar_of

LONDON = ZoneInfo("Europe/London")
RULES = default_rule_book()
TIMES = LocalTimes(LONDON, support.NOW)
TIE = "\u00a0"


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=LONDON)


# --- numbers -----------------------------------------------------------------------------------------------------


def test_a_minus_is_a_minus_and_nothing_is_minus_zero() -> None:
    assert number(-1.25, 1) == "−1.2"
    assert number(-0.04, 1) == "0.0"


def test_a_value_keeps_its_uncertainty_and_unit_on_one_line() -> None:
    text = amount(support.quantity(84.12, 1.0, "% RH"))
    assert text == TIE.join(("84", "±", "2", "%", "RH"))
    assert amount(None) == "—"
    # a small uncertainty is never shown as none (JCGM 100:2008, 7.2.6: its digits are kept with the value's)
    small = amount(support.quantity(-0.8, 0.011, "%"))
    assert small == "−0.80\u00a0±\u00a00.02\u00a0%"
    assert amount(support.quantity(3.0, 0.0, "%")) == "3.0\u00a0%"


@pytest.mark.parametrize(("value", "u", "unit"), [(1186.4, 24.6, "Pa"), (700.4, 30.2, "Pa"), (84.12, 1.0, "% RH")])
def test_a_table_rounds_as_a_sentence_does(value: float, u: float, unit: str) -> None:
    """JCGM 100:2008, 7.2.6: ± to one or two digits, the value to the same place; one rule for both."""
    known = support.quantity(value, u, unit)
    assert amount(known) == sentence_amount(known, language("en"))
    assert magnitude(known.model_copy(update={"value": -value})) == amount(known)
    assert "±" not in plain(known)


@pytest.mark.parametrize(("share", "words"), [(0.0, "under 1 %"), (1.0, "over 99 %"), (0.06, "6 %"), (0.5, "50 %")])
def test_a_probability_is_never_told_as_certainty(share: float, words: str) -> None:
    assert percent(share) == words


# --- times -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "just now"),
        (59.9, "just now"),
        (60, "1 min ago"),
        (5399, "89 min ago"),
        (5400, "1 h ago"),
        (129_599, "35 h ago"),
        (129_600, "1 d ago"),
        (-30, "just now"),
        (-7200, "2 h ahead of the clock"),
    ],
)
def test_ages_are_told_in_their_largest_fitting_unit(seconds: float, words: str) -> None:
    assert age_words(seconds) == words


def test_times_are_told_in_the_zone_of_the_job_with_the_year_only_where_it_differs() -> None:
    summer = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
    assert TIMES.stamp(summer) == "Wed 1 Jul 13:00 BST"
    assert TIMES.day(datetime(2027, 1, 3, tzinfo=UTC)) == "3 Jan 2027"


def test_a_zone_without_letters_is_named_by_its_offset() -> None:
    assert LocalTimes(LONDON, datetime(2026, 7, 1, tzinfo=UTC)).zone_name == "BST"
    assert LocalTimes(ZoneInfo("Asia/Kathmandu"), support.NOW).zone_name == "UTC+5:45"
    assert offset_name(timedelta(hours=-3.5)) == "UTC−3:30"
    assert LocalTimes(timezone(timedelta(hours=2)), support.NOW).zone_name == "UTC+2"


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ("2026-12-01T09:00", "2026-12-06T09:00", "1 to 6 Dec"),
        ("2026-11-28T09:00", "2026-12-06T09:00", "28 Nov to 6 Dec"),
        ("2026-12-01T01:00", "2026-12-01T22:00", "about 1 Dec"),
        ("2026-12-28T09:00", "2027-01-06T09:00", "28 Dec to 6 Jan 2027"),
    ],
)
def test_a_range_of_days_is_told_shortly(first: str, last: str, words: str) -> None:
    assert TIMES.days(at(first), at(last)) == words


# --- states ------------------------------------------------------------------------------------------------------


def test_every_state_has_its_own_word_and_is_told_by_shape_too() -> None:
    assert set(STATES) == set(State)
    words = [style.word for style in STATES.values()]
    assert len(set(words)) == len(words)
    symbols = (STATIC.parent / "templates" / "icons.svg").read_text()
    assert all(f'id="i-{style.icon}"' in symbols for style in STATES.values())


def test_states_of_one_colour_but_different_meaning_differ_in_shape() -> None:
    shapes: dict[tuple[str, str], set[str]] = {}
    for state, style in STATES.items():
        shapes.setdefault((style.tone, style.icon), set()).add(state)
    shared = [states for states in shapes.values() if len(states) > 1]
    assert shared == [
        {State.STALLED, State.OUT_OF_REACH, State.NOT_DRYING},  # all of them: it does not come nearer its goal
        {State.NO_CLEAR_TREND, State.DRYING_SLOWLY},
        {State.TOO_EARLY, State.SETTLING, State.EQUILIBRATING},  # all of them: wait
    ]


def test_what_is_wet_comes_before_what_is_not_known_and_that_before_what_dries() -> None:
    order = sorted(STATES, key=lambda state: STATES[state].rank)
    assert order[0] is State.REWETTING
    assert order.index(State.STALLED) < order.index(State.NO_DATA) < order.index(State.DRYING)
    assert order[-1] is State.AT_GOAL


def test_a_surface_near_condensation_leads_over_a_location_that_is_only_watched() -> None:
    reveal = support.assessment().at("reveal")
    assert reveal is not None
    assert style_of(reveal).word == "Near dew point"
    assert style_of(reveal.model_copy(update={"state": State.REWETTING})).word == "Getting wet again"
    assert style_of(reveal.model_copy(update={"state": State.NO_DATA})).word == "No data"


@pytest.mark.parametrize("severity", list(Severity))
@pytest.mark.parametrize("kind", list(FindingKind))
def test_every_alert_has_a_look_and_a_title(kind: FindingKind, severity: Severity) -> None:
    made = support.alert(kind.value, "bath", severity, support.NOW)
    symbols = (STATIC.parent / "templates" / "icons.svg").read_text()
    assert f'id="i-{alert_style(made).icon}"' in symbols
    assert alert_title(made, support.MILL_LANE).endswith("Bathroom, floor void" + (" (K7-05)" if made.probe else ""))


def test_the_way_of_vapour_is_told_from_the_location() -> None:
    out = support.against_room(700, Flow.OUT_OF)
    assert flow_words(out).replace(TIE, " ") == "into the room, 700 ± 60 Pa"
    into = support.against_room(-300, Flow.INTO, "outdoors", "yard")
    assert flow_words(into).replace(TIE, " ") == "in from the outdoor air, 300 ± 60 Pa"
    assert flow_words(support.against_room(40, Flow.NO_CLEAR_DIFFERENCE)) == "no clear difference"
    assert flow_words(None) == "not known"


# --- when it will be dry -----------------------------------------------------------------------------------------

DAY = timedelta(days=1)


def forecast(low: float | None, high: float | None, *, never: bool = False, high_never: bool = False) -> Forecast:
    def day(n: float | None) -> datetime | None:
        return None if n is None else support.NOW + n * DAY

    return Forecast(
        made_at=support.NOW,
        low=day(low),
        middle=day(low),
        high=day(high),
        never=never,
        high_never=high_never,
    )


KITCHEN = support.MILL_LANE.location("kitchen")


@pytest.mark.parametrize(
    ("state", "made", "words"),
    [
        (State.DRYING, forecast(7, 12), "1 to 6 Dec"),
        (State.DRYING, forecast(7, None, high_never=True), "1 Dec or later, perhaps not in this air"),
        (State.DRYING_SLOWLY, forecast(None, None, never=True, high_never=True), "not in this air"),
        (State.STALLED, None, "not in this state"),
        (State.REWETTING, forecast(7, 12), "not in this state"),
        (State.EQUILIBRATING, forecast(7, 12), "no verdict yet"),
        (State.NO_DATA, forecast(7, 12), "not known"),
        (State.DRYING, None, "not known yet"),
    ],
)
def test_a_table_tells_when_it_will_be_dry(state: State, made: Forecast | None, words: str) -> None:
    assessed = support.location("kitchen", state, support.RECORDED, 19.0, 77.0, forecast=made)
    assert dry_words(assessed, KITCHEN, TIMES) == words


def test_a_location_without_a_goal_has_no_end() -> None:
    yard = Location(id="yard", kind=LocationKind.OUTDOOR_AIR)
    assert dry_words(None, yard, TIMES) == "no goal"


# --- the rail ----------------------------------------------------------------------------------------------------


def test_a_progress_bar_shows_the_share_of_the_way() -> None:
    progress_bar = progress_bar_of(support.drying(84.1, 93, 70))
    assert progress_bar is not None
    assert progress_bar.done == round((93 - 84.1) / (93 - 70) * GOAL_X)
    assert progress_bar.words.replace(TIE, " ") == "Started at 93 % RH, now 84 ± 2 % RH, goal 70 % RH"


@given(st.floats(0, 110), st.floats(0, 110), st.floats(0, 100))
def test_a_rail_stays_inside_its_drawing(value: float, start: float, limit: float) -> None:
    progress_bar = progress_bar_of(support.drying(value, start, limit))
    if progress_bar is not None:
        assert 0 <= progress_bar.done <= 300
        assert 0 <= progress_bar.uncertainty_x <= progress_bar.uncertainty_x + progress_bar.uncertainty_width <= 300
    else:
        assert start <= limit


def shown(place: str, **change: object) -> LocationView:
    state = state_of([], **change)
    return location_view(state, state.job.location(place), LocalTimes(state.job.zone, support.NOW))


def test_a_tile_does_not_repeat_its_figure_in_its_sentence() -> None:
    tile = shown("kitchen")
    assert tile.words.replace(TIE, " ").startswith(
        f"{tile.figure} {tile.figure_uncertainty}, falling".replace(TIE, " ")
    )
    assert tile.beside.startswith("Falling ")
    assert shown("bath").beside == shown("bath").words  # no figure: nothing to repeat


def test_a_tile_that_is_kept_puts_no_goal_off_to_a_day_that_has_come() -> None:
    state = state_of([])
    assert state.assessment is not None
    kitchen = next(one for one in state.assessment.locations if one.location == "kitchen")
    undated = kitchen.model_copy(update={"facts": kitchen.facts.model_copy(update={"high": None})})
    same = replace(state, assessment=state.assessment.model_copy(update={"locations": (undated,)}))
    said = [
        location_view(same, same.job.location("kitchen"), LocalTimes(same.job.zone, support.NOW + days * DAY)).words
        for days in (0, 7)
    ]
    assert ["not before" in words for words in said] == [True, False]
    assert "goal any day" in said[1]


@pytest.mark.parametrize("text", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-12:00"])
def test_a_time_that_is_none_in_utc_is_refused_as_any_other(text: str) -> None:
    with pytest.raises(FormError, match="Give day and time"):
        Typed({"at": text}).moment("at", LONDON)
    assert pressed_at(text, support.NOW) == support.NOW


@pytest.mark.parametrize(
    ("value", "word", "tone"),
    [(None, "At goal by its probe", "go"), (17.0, "At goal by its probe", "go"), (15.0, "At goal", "ok")],
)
def test_a_location_is_at_goal_where_its_spot_readings_are_too(value: float | None, word: str, tone: str) -> None:
    goal = SpotGoal(kind=SpotKind.WOOD_MOISTURE, limit=16.0)
    places = tuple(
        place.model_copy(update={"spot_goal": goal}) if place.id == "bed" else place
        for place in support.MILL_LANE.locations
    )
    at = support.NOW - DAY
    spots = () if value is None else (Spot(location_id="bed", at=at, kind=SpotKind.WOOD_MOISTURE, value=value),)
    tile, state = shown("bed", locations=places, spots=spots), state_of([], locations=places, spots=spots)
    assert (tile.style.word, tile.style.tone) == (word, tone)
    assert tile.spot_goal.startswith("Spot readings: " + ("met" if value == 15.0 else "not met" if value else "not m"))
    assert progress(state).startswith(f"{1 if value == 15.0 else 0} of 5 ")


# --- the lead ----------------------------------------------------------------------------------------------------


def state_of(alerts: list[object], now: datetime = support.NOW, **change: object) -> JobState:
    job = support.MILL_LANE.model_copy(update=change)
    return JobState(job, support.assessment(), alerts, {}, now)  # type: ignore[arg-type]


def needs_with(alerts: list[object], **change: object) -> Needs:
    return needs_now(state_of(alerts, **change), RULES)


def test_the_lead_says_who_is_needed_what_is_out_of_reach_and_how_far_it_is() -> None:
    state, needs = state_of(list(support.alerts()[:3])), needs_with(list(support.alerts()[:3]))
    assert lead(state, needs) == (
        "1 location needs you today, 3 more this week. In this air Hall, timber floor void will not reach its goal: "
        "dry or warm the air, or agree another goal. 1 of 5 is at goal; 1 has no data."
    )
    assert page_lead(state, needs).startswith("In this air Hall")  # above the needs themselves


def test_each_need_says_where_what_why_since_when_and_what_to_do() -> None:
    (leak,) = needs_with(list(support.alerts()[:3])).today
    assert (leak.place, leak.what, leak.do) == (
        "Utility room, outside wall cavity",
        "getting wet again",
        "look for a leak.",
    )
    assert leak.since == datetime(2026, 11, 22, 6, 10, tzinfo=UTC)
    assert leak.why.replace(TIE, " ").startswith("84 ± 2 % RH, was 78 ± 2 % RH")


def test_a_tile_in_amber_that_no_alert_tells_of_is_a_need_all_the_same() -> None:
    needs = needs_with([])
    assert [(need.place, need.what) for need in needs.today] == [
        ("Utility room, outside wall cavity", "getting wet again")
    ]
    assert [need.what for need in needs.week] == ["stalled", "near dew point", "no data"]
    assert all(need.do for need in (*needs.today, *needs.week))


def test_two_alerts_at_one_location_are_one_need_and_the_worse_one_leads() -> None:
    mould = support.alert("mould", "utility", Severity.WATCH, support.NOW - DAY)
    needs = needs_with([*support.alerts()[:3], mould])
    assert needs.n_today == 1
    assert [alert.kind for alert in needs.today[0].alerts] == ["Getting wet again", "Mould conditions"]


def test_one_cause_at_many_locations_is_told_in_one_line_that_counts_them_all() -> None:
    humid = [
        support.alert("drive_lost", where, Severity.WATCH, support.NOW - DAY)
        for where in ("kitchen", "bed", "sleeve", "hall")
    ]
    need = next(need for need in needs_with(humid).week if need.what == "room air more humid")
    assert (need.size, len(need.alerts)) == (4, 4)
    assert need.place.endswith("and 2 more locations")


def test_what_eases_waits_for_the_week_and_asks_for_nothing() -> None:
    rewetting = support.alerts()[0].model_copy(update={"clearing_since": support.NOW - timedelta(hours=3)})
    needs = needs_with([rewetting])
    need = next(need for need in needs.week if need.location == "utility")
    assert (need.style.word, need.what, need.tier) == ("Easing", "getting wet again, easing", Tier.WEEK)
    assert need.since == rewetting.clearing_since
    assert need.do == "nothing while it stays so."
    assert need.why.startswith("Now ")
    assert "Closes" in need.why


def test_with_nothing_open_the_lead_says_so() -> None:
    assert need_words(Needs()) == "Nothing needs you now."


def test_goals_that_this_air_does_not_allow_are_named_or_counted() -> None:
    never = forecast(None, None, never=True, high_never=True)
    changed = tuple(
        location.model_copy(update={"state": State.OUT_OF_REACH, "forecast": never})
        for location in support.assessment().locations
    )
    state = replace(state_of([]), assessment=support.assessment().model_copy(update={"locations": changed}))
    assert out_of_reach(state).startswith("In this air no location reaches its goal")
    assert "Hall, timber floor void will not reach its goal" in out_of_reach(state_of([]))
    fed = Facts(cause=Cause.FED_FROM_BELOW)
    below = tuple(
        location.model_copy(update={"facts": fed}) if location.location == "hall" else location
        for location in support.assessment().locations
    )
    wet = support.assessment().model_copy(update={"locations": below})
    assert out_of_reach(replace(state, assessment=wet)) == (
        "Hall, timber floor void is fed from below and will not reach its goal: find where the water comes from."
    )


def test_an_alert_that_another_explains_is_no_need_of_its_own() -> None:
    silent = support.alerts()[2].model_copy(update={"inhibited_by": "x", "inhibited_why": "its gateway is silent"})
    assert not any(need.alerts for need in needs_with([silent]).week)


def test_the_most_pressing_alert_comes_first() -> None:
    views = alert_views(reversed(support.alerts()[:3]), {}, {"mill-lane-4": TIMES}, RULES)
    assert [view.style.word for view in views] == ["Today", "This week", "This week"]


def test_days_of_drying_are_local_days() -> None:
    # a job that begins at 23:30 UTC on a summer day begins on the next day in London
    begin = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    state = state_of([], begin + timedelta(hours=23), start=begin)
    assert day_words(state, TIMES) == "1 of drying"


def test_a_job_that_is_over_says_so() -> None:
    state = state_of([], support.NOW, end=support.NOW - DAY)
    assert lead(state, needs_now(state, RULES)).startswith("This job is over.")


# --- marks and windows -------------------------------------------------------------------------------------------


def test_what_happened_is_lettered_in_order_and_neighbours_share_a_letter() -> None:
    alerts = [
        support.alert("rewetting", "utility", Severity.ACT, support.NOW - 2 * DAY),
        support.alert("drive_lost", "utility", Severity.WATCH, support.NOW - 2 * DAY + timedelta(minutes=5)),
        support.alert("drying_stalled", "utility", Severity.WATCH, support.NOW - 9 * DAY),
        support.alert("rewetting", "hall", Severity.ACT, support.NOW - DAY),
    ]
    window = (support.NOW - 21 * DAY, support.NOW)
    marks = markers_of(support.MILL_LANE, support.MILL_LANE.location("utility"), openings_of(alerts), *window, TIMES)
    assert [mark.letter for mark in marks] == ["A", "B"]
    assert "getting wet again" in marks[1].words
    assert "room air more humid" in marks[1].words


def test_the_mark_of_an_alert_stands_at_the_time_that_the_alert_gives() -> None:
    alert = support.alert("condensation", "utility", Severity.ACT, support.NOW - DAY)
    earlier = alert.finding.model_copy(update={"since": support.NOW - DAY - timedelta(minutes=9)})
    alert = alert.model_copy(update={"finding": earlier})
    window = (support.NOW - 21 * DAY, support.NOW)
    (mark,) = markers_of(support.MILL_LANE, support.MILL_LANE.location("utility"), openings_of([alert]), *window, TIMES)
    assert alert.opened_at is not None
    assert mark.time_s == alert.opened_at.timestamp()


def test_zooming_in_and_out_again_returns_to_the_same_time() -> None:
    shown = choose(support.MILL_LANE, support.NOW, None, support.NOW - 4 * DAY, support.NOW - 2 * DAY)
    nearer = shown.zoomed(0.5)
    assert nearer == {"from": "2026-11-20T19:20:00Z", "to": "2026-11-21T19:20:00Z"}
    begin, end = (datetime.fromisoformat(nearer[name]) for name in ("from", "to"))
    again = choose(support.MILL_LANE, support.NOW, None, begin, end).zoomed(2.0)
    assert again == shown.query


def test_at_the_end_of_the_way_there_is_nothing_later_to_go_to() -> None:
    shown = choose(support.MILL_LANE, support.NOW, "all", None, None)
    assert shown.shifted(0.5) is None
    assert shown.zoomed(2.0) is None


def in_the_twenties(seconds: float) -> datetime:
    return datetime(2020, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)


ANY_TIME = st.floats(0, 10 * 365 * 86_400.0).map(in_the_twenties) | st.none()


@given(st.sampled_from(["1d", "7d", "21d", "all", None, "x"]), ANY_TIME, ANY_TIME)
def test_whatever_an_address_asks_for_the_window_lies_in_the_job(
    span: str | None, start: datetime | None, end: datetime | None
) -> None:
    shown = choose(support.MILL_LANE, support.NOW, span, start, end)
    assert support.START <= shown.start < shown.end
    assert shown.end <= support.NOW + timedelta(hours=1)
