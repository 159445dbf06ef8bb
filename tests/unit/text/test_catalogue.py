"""The catalogue of messages: every kind and state renders in each language, whatever facts are missing."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from itertools import combinations, product
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from jinja2.ext import babel_extract

from monitord.alerts.messages.templating import OWN as TEMPLATES
from monitord.model.alerts import Alert, AlertStatus, Ending, Severity
from monitord.model.assessments import Finding, State
from monitord.model.facts import NONE, Cause, Facts, Fault, FindingKind, Growth, Material, SurfaceKind, Truth
from monitord.model.quantity import Quantity
from monitord.model.units import Units
from monitord.text import gsm
from monitord.text.alert_texts import ELECTRICITY, TEXTS
from monitord.text.alerts import HEADLINE_LENGTH, SMS_LENGTH, AlertSpeaker, Limits, steps
from monitord.text.catalogue import language, languages, reader_language, slots_of
from monitord.text.messages import every_message
from monitord.text.speaker import Speaker
from monitord.text.states import NAMES, SENTENCES, TILE_LENGTH, state_name, state_sentence

NOW = datetime(2026, 11, 24, 12, tzinfo=UTC)
THEN = datetime(2026, 11, 20, 9, 30, tzinfo=UTC)
LONDON = ZoneInfo("Europe/London")
PLACE = "Utility room, outside wall cavity"


def rh(value: float, u: float | None = 1.0) -> Quantity:
    return Quantity(value=value, u=u, unit="% RH")


FULL = Facts(
    value=rh(89.23, 1.1),
    at=THEN,
    since=THEN,
    before=rh(80.4, 1.1),
    before_at=THEN,
    expected=rh(84.0, 1.1),
    goal=rh(75.0, None),
    rate=Quantity(value=-0.52, u=0.04, unit="% RH/day"),
    end=rh(82.3, None),
    low=NOW + timedelta(days=40),
    middle=NOW + timedelta(days=50),
    high=NOW + timedelta(days=70),
    never=True,
    cause=Cause.AIR_HOLDS,
    chance=0.72,
    surface=SurfaceKind.COLD_UNDERSIDE,
    surface_temperature=Quantity(value=10.1, u=0.3, unit="°C"),
    dew_point=Quantity(value=10.6, u=0.3, unit="°C"),
    margin=Quantity(value=-0.5, u=0.42, unit="K"),
    start=THEN,
    until=THEN + timedelta(hours=3),
    possibly_from=THEN - timedelta(hours=1),
    material=Material.CONCRETE,
    growth=Growth.VISIBLE,
    sealed_h=41.0,
    needed_h=72.0,
    recorded_d=1.7,
    measured_at=THEN,
    earlier_made_at=THEN,
    earlier_low=NOW,
    earlier_high=NOW + timedelta(days=9),
    being_computed=True,
    fault=Fault.CLOCK_BEHIND,
    excluded=True,
    interval_s=600.0,
    age_s=25_200.0,
    probes=3,
    count=2,
    due=NOW,
    signed_off_at=THEN,
    signed_off_by="A. Byrne",
    outdoor_known=True,
    dehumidifier_out_at=THEN,
)
"""Every fact there is."""

FACTS_OF_SLOTS = {
    "dates": ("low", "high"), "earlier_dates": ("earlier_low", "earlier_high"), "earlier_day": ("earlier_made_at",),
    "fall": ("rate",), "rise": ("rate",), "sealed": ("sealed_h",), "over_h": ("sealed_h", "needed_h"),
    "days": ("recorded_d",), "start_day": ("start",), "window": ("start", "until"), "likely": ("chance",),
    "dew": ("dew_point",), "measured_day": ("measured_at",), "due_day": ("due",), "interval": ("interval_s",),
    "age": ("age_s",), "excluded_fault": ("fault", "excluded"), "unexplained": ("outdoor_known",),
    "cause": ("cause", "end", "dehumidifier_out_at"), "short_cause": ("cause", "end"),
    "dehumidifier_out": ("dehumidifier_out_at",), "signed_off_day": ("signed_off_at",),
    "computed_value": ("being_computed", "value"), "any_day": ("low",),
}  # fmt: skip
"""Facts behind a slot of another name."""

GIVEN_BESIDE = {"probe", "place", "limit", "raise_limit", "hold"}
"""Slots that an alert and its rule fill."""


def facts_of(messages: tuple[str, ...]) -> list[str]:
    """The facts that some messages may say."""
    slots = {slot for message in messages for slot in slots_of(message)} - GIVEN_BESIDE
    return sorted({fact for slot in slots for fact in FACTS_OF_SLOTS.get(slot, (slot,))})


def every_combination(names: list[str]) -> list[Facts]:
    """All facts known but those of each subset of the names."""
    subsets = [subset for n in range(len(names) + 1) for subset in combinations(names, n)]
    return [FULL.model_copy(update=dict.fromkeys(subset)) for subset in subsets]


def speaker(name: str) -> Speaker:
    return Speaker(language(name), LONDON, NOW)


def plain(text: str) -> bool:
    """No slot left, no None, no doubled space or full stop."""
    return bool(text) and not any(bad in text for bad in ("{", "}", "None", "  ", "..", " ,", " ."))


# --- states ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", languages())
@pytest.mark.parametrize("state", list(State))
def test_every_state_renders_with_every_combination_of_missing_facts(state: State, name: str) -> None:
    one = speaker(name)
    assert plain(state_name(one, state))
    rates = (FULL.rate, Quantity(value=0.31, u=0.12, unit="% RH/day"))
    for facts, rate in product(every_combination(facts_of(SENTENCES[state])), rates):
        sentence = state_sentence(one, state, facts.model_copy(update={"rate": facts.rate and rate}))
        assert plain(sentence), sentence
        assert len(sentence) <= TILE_LENGTH, sentence


def test_the_last_sentence_of_each_state_needs_no_fact() -> None:
    for state, sentences in SENTENCES.items():
        assert slots_of(sentences[-1]) <= {"unexplained"}, state


@pytest.mark.parametrize("cause", list(Cause))
def test_a_stall_names_its_cause(cause: Cause) -> None:
    facts = FULL.model_copy(update={"cause": cause})
    assert "because" in state_sentence(speaker("en"), State.STALLED, facts)


def test_a_stall_names_the_dehumidifier_that_was_taken_out_where_there_is_room_for_it() -> None:
    facts = FULL.model_copy(update={"cause": Cause.ROOM_MORE_HUMID, "since": None})
    short = "89 ± 2 % RH; no lasting progress, because the room air is more humid than it was"
    gone = "its dehumidifier was taken out on Fri 20 Nov"
    assert speaker("en").say(SENTENCES[State.STALLED], speaker("en").slots(facts)) == f"{short}; {gone}."
    full = state_sentence(speaker("en"), State.STALLED, FULL.model_copy(update={"cause": Cause.ROOM_MORE_HUMID}))
    assert full.endswith("because the room air is more humid than it was."), full
    german = speaker("de").say(SENTENCES[State.STALLED], speaker("de").slots(facts))
    assert "Entfeuchter wurde am Fr 20. Nov. entfernt." in german
    without = facts.model_copy(update={"dehumidifier_out_at": None})
    assert gone not in state_sentence(speaker("en"), State.STALLED, without)


def test_a_goal_that_may_be_met_today_is_not_put_off_to_today() -> None:
    def said(state: State, low: datetime) -> str:
        return state_sentence(speaker("en"), state, FULL.model_copy(update={"low": low, "high": None}))

    for state in (State.DRYING, State.DRYING_SLOWLY, State.NO_CLEAR_TREND):
        assert "not before" in said(state, NOW + timedelta(days=1))
        assert "before" not in said(state, NOW)
    for state in (State.DRYING, State.DRYING_SLOWLY):
        assert "goal any day, or perhaps not in this air" in said(state, NOW), "no date has its reason"
    assert said(State.NO_CLEAR_TREND, NOW).endswith("The goal may be met any day.")


def test_a_tile_says_what_the_table_of_states_has() -> None:
    said = {state: state_sentence(speaker("en"), state, FULL) for state in State}
    assert said[State.DRYING] == "89 ± 2 % RH, falling 0.52 ± 0.08 % RH a day; goal 3 Jan to 2 Feb 2027 (80 %)."
    assert said[State.NO_DATA] == "No usable reading since Fri 20 Nov 09:30 GMT; last 89 ± 2 % RH."
    assert said[State.EQUILIBRATING] == "41 of 72 h sealed; heading for 89 ± 2 % RH: a prediction, not a result."
    timber = FULL.model_copy(update={"material": Material.TIMBER})
    assert state_sentence(speaker("en"), State.NO_CLEAR_TREND, timber) == (
        "89 ± 2 % RH; −0.52 ± 0.08 % RH a day is within its uncertainty. By its air at goal 3 Jan to 2 Feb 2027 (80 %)."
    )
    assert "Goal not before 3 Jan" in said[State.NO_CLEAR_TREND]
    assert said[State.OUT_OF_REACH].startswith("89 ± 2 % RH; in this air not at 75 % RH within a year")


# --- alerts ------------------------------------------------------------------------------------------------------

LIMITS = Limits(raise_at=0.6, clear_at=0.3, unit="1", hold_s=86_400.0)


def alert(kind: FindingKind, facts: Facts, **change: object) -> Alert:
    found = Finding(kind=kind, location="utility", probe="K7-05", measured_at=NOW, truth=Truth.TRUE, facts=facts)
    made = Alert(
        fingerprint="f", episode=1, job="j", kind=kind, location="utility", probe="K7-05", severity=Severity.ACT,
        status=AlertStatus.OPEN, opened_at=THEN, pending_since=THEN, finding=found, opening=found, worst=found,
    )  # fmt: skip
    return made.model_copy(update=change)


def shapes(kind: FindingKind, facts: Facts) -> list[Alert]:
    """An alert in each phase of its life."""
    worse = FULL.model_copy(update={"value": rh(95.0), "chance": 0.99})
    worst = alert(kind, worse).finding.model_copy(update={"measured_at": THEN})
    return [
        alert(kind, facts),
        alert(kind, facts, worst=worst),
        alert(kind, facts, worst=worst, clearing_since=NOW),
        alert(kind, facts, unknown_since=NOW),
        alert(kind, facts, status=AlertStatus.CLOSED, closed_at=NOW, cleared=True),
        *(
            alert(kind, facts, status=AlertStatus.CLOSED, closed_at=NOW, ending=ending, ended_by="R. Okafor")
            for ending in Ending
        ),
        alert(kind, facts, opening=None, worst=None, pending_since=None),
    ]


@pytest.mark.parametrize("name", languages())
@pytest.mark.parametrize("kind", list(FindingKind))
def test_every_kind_of_alert_renders_with_every_combination_of_missing_facts(kind: FindingKind, name: str) -> None:
    texts = TEXTS[kind]
    for facts in every_combination(facts_of((*texts.opening, *texts.key))):
        for made in shapes(kind, facts):
            said = AlertSpeaker(speaker(name), made, PLACE, LIMITS)
            parts = [said.headline(), said.opening(), said.standing(), said.why(), said.first(), said.then()]
            assert all(plain(part.replace("…", "")) for part in parts), parts
            assert len(said.headline()) <= HEADLINE_LENGTH
            sms = said.sms("Mill Lane 4, ground floor")
            assert gsm.is_gsm(sms), sms
            assert len(sms) <= SMS_LENGTH, sms
            if made.status is AlertStatus.CLOSED:
                assert plain(said.closing()), said.closing()


@pytest.mark.parametrize("kind", [FindingKind.DRYING_STALLED, FindingKind.GOAL_UNREACHABLE])
def test_what_to_do_about_a_stall_or_a_goal_out_of_reach_fits_its_cause(kind: FindingKind) -> None:
    plain_facts = FULL.model_copy(update={"dehumidifier_out_at": None})
    fed = AlertSpeaker(
        speaker("en"), alert(kind, plain_facts.model_copy(update={"cause": Cause.FED_FROM_BELOW})), PLACE
    )
    assert fed.first() == "Find where the water comes from."
    assert "drying the air won't help" in fed.then()
    assert "moisture comes in from below" in fed.opening()
    for cause in (Cause.AIR_HOLDS, Cause.ROOM_MORE_HUMID):
        held = AlertSpeaker(speaker("en"), alert(kind, plain_facts.model_copy(update={"cause": cause})), PLACE)
        assert held.first() == TEXTS[kind].first
        gone = AlertSpeaker(speaker("en"), alert(kind, FULL.model_copy(update={"cause": cause})), PLACE)
        assert gone.first() == "Set up a dehumidifier again."
    rising = Facts(value=rh(80.0), rate=Quantity(value=0.5, u=0.1, unit="% RH/day"))
    assert steps(kind, rising).first == "Find what wets it."
    assert steps(kind, NONE).first == TEXTS[kind].first, "nothing is known: as the kind says"


@pytest.mark.parametrize("kind", list(FindingKind))
def test_without_a_rule_an_alert_still_says_what_ended_it(kind: FindingKind) -> None:
    made = alert(kind, FULL, status=AlertStatus.CLOSED, closed_at=NOW, cleared=True)
    assert plain(AlertSpeaker(speaker("en"), made, PLACE).closing())


def test_headline_and_standing_of_an_alert_that_eases_do_not_deny_each_other() -> None:
    worst = alert(FindingKind.CONDENSATION, FULL).finding.model_copy(update={"measured_at": THEN})
    dry = Facts(chance=0.04, margin=Quantity(value=3.1, u=0.42, unit="K"))
    made = alert(FindingKind.CONDENSATION, dry, worst=worst, opening=worst, clearing_since=NOW)
    said = AlertSpeaker(speaker("en"), made, "Reveal", LIMITS)
    assert said.headline() == "Condensation likely: Reveal"
    assert said.opening().endswith("condensation likely (72 %) since Fri 20 Nov 09:30 GMT.")
    assert said.standing() == (
        "Easing: now 4 %, margin +3.1 ± 0.8 K, worst 72 %, margin −0.5 ± 0.8 K, Fri 20 Nov 09:30 GMT. "
        "Closes after 24 h."
    )
    over = made.model_copy(update={"status": AlertStatus.CLOSED, "closed_at": NOW, "cleared": True})
    said = AlertSpeaker(speaker("en"), over, "Reveal", LIMITS)
    assert said.standing() == "Closed Tue 24 Nov 12:00 GMT: chance < 30 % for 24 h."


def test_every_kind_of_alert_carries_the_cautions_that_belong_to_it() -> None:
    """Electricity wherever someone is sent to wet places or machines; asbestos where they may open up."""
    said = {kind: AlertSpeaker(speaker("en"), alert(kind, FULL)).then() for kind in FindingKind}
    wet = ("condensation", "condensation_expected", "drying_stalled", "rewetting", "drive_lost", "freezing")
    assert all("Isolate the supply" in said[FindingKind(kind)] for kind in wet)
    assert all("asbestos" in said[FindingKind(kind)] for kind in ("mould", "wood_decay", "rewetting"))
    assert all("Mould possible" in said[FindingKind(kind)] for kind in ("condensation", "mould", "wood_decay"))
    assert all("sodden" in said[FindingKind(kind)] for kind in ("wood_decay", "rewetting"))


# --- translations ------------------------------------------------------------------------------------------------


def of_templates() -> set[str]:
    """The messages inside the templates of messages."""
    found: set[str] = set()
    for path in Path(TEMPLATES).glob("*.j2"):
        with path.open("rb") as file:
            options = {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}
            texts = [text for _, _, text, _ in babel_extract(file, ("_",), (), options)]
            found |= {str(text[0] if isinstance(text, tuple) else text) for text in texts}
    return found


@pytest.mark.parametrize("name", [name for name in languages() if name != "en"])
def test_a_translation_is_complete_and_has_nothing_that_is_no_message(name: str) -> None:
    wanted = {*every_message(), *of_templates()}
    assert len(of_templates()) > 20
    assert language(name).translated == wanted


@pytest.mark.parametrize("name", [name for name in languages() if name != "en"])
def test_a_translation_has_the_slots_of_its_message_and_no_others(name: str) -> None:
    """One may be left out where the language says it otherwise, as a material that would have to be declined."""
    one = language(name)
    for message in one.translated:
        assert slots_of(message) - {"material"} <= slots_of(one.text(message)) <= slots_of(message), message


def test_german_is_there() -> None:
    assert "de" in languages()
    assert state_sentence(speaker("de"), State.DRYING, FULL.model_copy(update={"high": None})) == (
        "89 ± 2 % r. F., fällt 0,52 ± 0,08 % r. F. am Tag; Ziel nicht vor 3. Jan. 2027, hier vielleicht nicht."
    )


def test_names_are_not_used_twice() -> None:
    assert len(set(NAMES.values())) == len(State)
    assert len({texts.words for texts in TEXTS.values()}) == len(FindingKind)


def test_a_reader_of_us_units_reads_the_words_of_the_united_states() -> None:
    """Spelling by Merriam-Webster; drywall, crawlspace and panel are the trade's words there (common practice)."""
    there = language(reader_language("en", Units.US))
    assert there.text("More vapour than the room air and no more than the outdoor air.").startswith("More vapor than")
    assert there.text("Mould possible: don't disturb").startswith("Mold possible")
    assert there.text("subfloor void") == "crawlspace"
    assert "if its panel is wet" in there.text(ELECTRICITY)
    assert there.text("{mould_where} {vapour}") == "{mould_where} {vapour}"  # names of slots stay
    assert language(reader_language("en", Units.METRIC)).text("vapour pressure") == "vapour pressure"
    assert reader_language("de", Units.US) == "de"


def test_nothing_british_is_left_for_a_reader_of_us_units() -> None:
    said = " ".join(re.sub(r"\{\w*\}", "", language("en-US").text(message)) for message in every_message()).lower()
    assert not re.findall(r"vapour|mould|plasterboard|floor void|fibre|colour|grey|neighbour|judgement|metre", said)
