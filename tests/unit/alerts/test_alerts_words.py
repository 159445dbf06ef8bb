"""What people read and click: values, times, SMS, messages, templates of a firm, links, digests."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
import zlib
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from alerts_support import T0, after, alert, closed, job, person, settings
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from itsdangerous import URLSafeSerializer

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.messages.digest import Overview, compose_digest, due_since
from monitord.alerts.messages.messages import Composer
from monitord.alerts.messages.signed_links import Link, LinkError, Purpose, read, sign
from monitord.alerts.messages.templating import Templates
from monitord.alerts.routing.grouping import Bundle, Piece
from monitord.alerts.routing.planning import Draft
from monitord.errors import ConfigurationError
from monitord.model.alerts import SYSTEM, Alert, AlertStatus, Ending, Severity
from monitord.model.assessments import Facts, Finding, Forecast, JobAssessment, LocationAssessment, State
from monitord.model.facts import Cause, FindingKind, SurfaceKind
from monitord.model.messages import Matcher, MatchLabel, Message, Mute, NotificationReason, Pause
from monitord.model.quantity import Quantity
from monitord.text import gsm
from monitord.text.alert_texts import STRUCTURE

SECRET = b"s" * 32
HELSINKI = ZoneInfo("Europe/Helsinki")

# --- SMS ------------------------------------------------------------------------------------------------------


def test_the_gsm_alphabet_is_whole() -> None:
    """3GPP TS 23.038, 6.2.1: 128 codes, of which one is the escape to the extension table of ten."""
    assert len(gsm.BASIC) == 127
    assert len(gsm.EXTENDED) == 10
    assert not gsm.BASIC & gsm.EXTENDED


def test_signs_outside_it_are_written_plainly() -> None:
    assert gsm.fit("18.2 °C ± 0.3 – Žižkov…") == "18.2 C +/- 0.3 - Zizkov..."


def test_the_ten_of_the_extension_count_twice() -> None:
    assert gsm.length("a€") == 3


def test_another_script_keeps_its_letters_and_gets_less_room() -> None:
    fitted = gsm.fit("Влажная стена " * 20)
    assert "Влажная" in fitted
    assert gsm.length(fitted) <= 70


@given(st.text(max_size=400), st.sampled_from(["", " #ab12cd"]))
@effort(deadline=None)
def test_whatever_the_text_it_fits_one_sms_and_keeps_its_tail(text: str, tail: str) -> None:
    fitted = gsm.fit(text, tail)
    assert gsm.length(fitted) <= (160 if gsm.is_gsm(fitted) else 70)
    assert fitted.endswith(tail)


# --- messages -------------------------------------------------------------------------------------------------

WALL = Finding(
    kind=FindingKind.CONDENSATION,
    location="north",
    measured_at=T0,
    since=after(-130),
    value=0.97,
    unit="probability",
    readings=13,
    facts=Facts(
        since=after(-130),
        chance=0.97,
        surface=SurfaceKind.SURFACE,
        surface_temperature=Quantity(value=10.12, u=0.3, unit="°C"),
        dew_point=Quantity(value=10.6, u=0.3, unit="°C"),
        margin=Quantity(value=-0.48, u=0.42, unit="K"),
    ),
)
WOOD = Finding(
    kind=FindingKind.WOOD_DECAY,
    location="north",
    measured_at=T0,
    value=22.437,
    unit="% MC",
    u=0.4,
    facts=Facts(value=Quantity(value=22.437, u=0.4, unit="% MC"), since=after(-5000)),
)


def compose(
    *alerts: Alert, news: NotificationReason = NotificationReason.OPENED, mute: Mute | None = None, **change: object
) -> Message:
    rules, one = default_rule_book(), settings(**({"public_url": "https://m.example.org"} | change))
    pieces = tuple(Piece(a, news, T0, soon=False, reason="") for a in alerts)
    draft = Draft(one.people[0], Bundle(alerts[0].job, pieces), (1,) * len(pieces), frozenset(), mute)
    (message,) = Composer(one, rules, {"J1": job()}, SECRET).compose(draft, after(2))
    return message


def test_a_message_is_in_the_units_of_its_reader() -> None:
    """10.1 °C is 50.2 °F and 10.6 °C is 51.1 °F; ± 0.6 K is ± 1.1 °F (NIST SP 811, appendix B.8)."""
    for text in (
        compose(alert(finding=WALL, severity=Severity.ACT), people=[person(units="us")]).text,
        compose(alert(finding=WALL, severity=Severity.ACT), people=[person(units="us")]).html,
    ):
        said = text.replace("\u00a0", " ")
        assert "Surface 50.2 ± 1.1 °F, dew point 51.1 ± 1.1 °F" in said
        assert "°C" not in said
        assert not re.search(r"\d K\b", said)
    short = compose(alert(finding=WALL, severity=Severity.ACT), people=[person(units="us")]).short
    assert not re.search(r"\d (C|K)\b", short)


def test_a_message_says_what_where_since_when_how_likely_why_and_what_to_do() -> None:
    text = compose(alert(finding=WALL, severity=Severity.ACT)).text
    for part in (
        "Elm Street 5",
        "NEW: Condensation likely: North wall [Today]",
        "Surface 10.1 ± 0.6 °C, dew point 10.6 ± 0.6 °C; condensation very likely (97 %) since Sat 1 Mar 11:50 EET.",
        "Why it matters: Water settles and wets it; mould can follow.",
        "First: Dehumidify. Tank, doors;",
        "Isolate the supply before touching wet electrics",
        "https://m.example.org/jobs/J1",
        "/link/acknowledge/",
        "/link/mute/",
        "Written Sat 1 Mar 14:02 EET",
    ):
        assert part in text


def test_a_message_about_one_alert_has_at_most_120_words() -> None:
    every = [(kind, WALL.facts) for kind in FindingKind]
    water = (WALL.facts.model_copy(update={"cause": Cause.FED_FROM_BELOW}), Facts(rate=Quantity(value=0.5, unit="Pa")))
    searched = [(kind, facts) for kind in (FindingKind.DRYING_STALLED, FindingKind.GOAL_UNREACHABLE) for facts in water]
    for kind, facts in (*every, *searched):
        found = WALL.model_copy(update={"kind": kind, "facts": facts})
        text = compose(alert(kind.value, finding=found)).text
        assert len([word for word in text.split() if "/link/" not in word]) <= 120, (kind, facts.cause)
        if (kind, facts) in searched:
            assert STRUCTURE in text, "who looks for water is warned of floors and ceilings, as at a rewetting"


def test_the_closing_message_says_when_and_why_it_closed() -> None:
    now = WOOD.model_copy(update={"value": 18.7, "facts": Facts(value=Quantity(value=18.7, u=0.4, unit="% MC"))})
    over = closed(finding=now, opening=WOOD, worst=WOOD, kind=FindingKind.WOOD_DECAY, closed_at=after(90))
    message = compose(over, news=NotificationReason.CLOSED)
    assert "Open Sat 1 Mar 14:00 EET to Sat 1 Mar 15:30 EET." in message.text
    assert "Closed Sat 1 Mar 15:30 EET: < 19 % MC for 24 h." in message.text
    assert "Timber estimated at 22.4 ± 0.8 % MC, over 20 % MC since" in message.text, "what it opened with stays"
    assert message.short.startswith("Closed: Timber over 20 % MC: North wall (Elm Street 5). 18.7 +/-0.8 % MC.")
    assert "/link/" not in message.text, "there is nothing left to acknowledge or mute"


def test_an_alert_that_was_ended_says_by_what_word() -> None:
    ended = closed(cleared=False, closing_reason="the job was closed", ending=Ending.JOB_ENDED)
    assert "Closed Sat 1 Mar 14:30 EET: job ended." in compose(ended, news=NotificationReason.CLOSED).text
    paused = closed(cleared=False, ending=Ending.PAUSED, ended_by="Bo")
    assert "alerts paused by Bo." in compose(paused, news=NotificationReason.CLOSED).text


def test_a_message_while_it_eases_gives_now_the_worst_and_when_it_closes() -> None:
    facts = WALL.facts.model_copy(update={"chance": 0.2, "margin": Quantity(value=2.12, u=0.4, unit="K")})
    now = WALL.model_copy(update={"value": 0.2, "facts": facts})
    easing = alert(finding=now, opening=WALL, worst=WALL, clearing_since=after(1))
    text = compose(easing, news=NotificationReason.REMINDER).text
    assert "Easing: now 20 %, margin +2.1 ± 0.8 K, worst 97 %, margin −0.5 ± 0.8 K" in text
    assert "Closes after 24 h." in text


def test_a_message_on_unknown_data_says_so() -> None:
    text = compose(alert(finding=WALL, unknown_since=after(30))).text
    assert "No data since Sat 1 Mar 14:30 EET; last 97 %" in text


def test_html_carries_the_same_and_is_escaped() -> None:
    html = compose(alert(finding=WALL, probe="<p1>")).html
    assert "North wall (&lt;p1&gt;)" in html
    assert "Sat 1 Mar 11:50 EET" in html


def test_the_short_form_says_what_where_how_much_and_what_to_do_and_ends_with_the_message_number() -> None:
    message = compose(alert(finding=WALL, severity=Severity.ACT))
    assert message.short.startswith("Condensation likely: North wall (Elm Street 5). 97 %, margin -0.5 +/-0.8 K.")
    assert "Dehumidify." in message.short
    assert message.short.endswith(f"#{message.id[:6]}")
    assert len(message.short) <= 140


def test_a_message_comes_in_the_language_of_its_reader() -> None:
    message = compose(alert(finding=WALL), people=[person(language="de")])
    assert "10,1 ± 0,6 °C" in message.text
    assert "Dehumidify" not in message.text
    assert message.html.startswith('<!doctype html>\n<html lang="de">')


def test_a_message_about_many_names_them_and_offers_to_take_all_on() -> None:
    message = compose(*(alert(location=f"wall{n}") for n in range(200)))
    assert "200 alerts" in message.title
    assert all(f"wall{n}" in message.text for n in range(200))
    assert "/link/acknowledge_all/" in message.text
    assert len(message.short) <= 140


def test_without_a_public_address_there_are_no_links() -> None:
    message = compose(alert(finding=WALL), public_url=None)
    assert "http" not in message.text
    assert "href" not in message.html


def test_the_same_news_have_the_same_id_and_other_news_another() -> None:
    first = compose(alert(finding=WALL)).id
    assert compose(alert(finding=WALL.model_copy(update={"value": 0.6, "facts": Facts(chance=0.6)}))).id == first
    others = {
        compose(alert(episode=2)).id,
        compose(alert(), news=NotificationReason.REMINDER).id,
        compose(alert(severity=Severity.ACT)).id,
        compose(alert(location="south")).id,
        compose(alert(), people=[person("bo")]).id,
    }
    assert len(others | {first}) == 6


def test_a_warning_of_a_mutes_end_names_it_and_what_is_under_it() -> None:
    mute = Mute(
        id="k",
        matchers=(Matcher(label=MatchLabel.JOB, pattern="J1"),),
        start=T0,
        end=after(60),
        author="Bo",
        comment="works",
        created_at=T0,
    )
    text = compose(alert(finding=WALL), news=NotificationReason.MUTE_ENDS, mute=mute).text
    assert 'The mute "works" by Bo ends Sat 1 Mar 15:00 EET' in text
    assert "Condensation likely: North wall" in text


def test_an_alert_about_the_program_itself_names_it() -> None:
    own = alert("disk_nearly_full", None, job=SYSTEM, finding=WALL.model_copy(update={"location": None}))
    assert compose(own).title == "Disk nearly full, monitord itself"


def test_every_kind_of_finding_has_a_rule() -> None:
    assert set(default_rule_book().kinds) == {kind.value for kind in FindingKind}


# --- templates of a firm --------------------------------------------------------------------------------------


def test_a_firm_can_translate_words_and_templates_and_leave_the_rest(tmp_path: Path) -> None:
    (tmp_path / "fi").mkdir()
    words = 'msgid "Condensation likely"\nmsgstr "Kosteus tiivistyy"\n'
    (tmp_path / "fi.po").write_text(words, encoding="utf-8")
    (tmp_path / "fi" / "title.txt.j2").write_text("{{ m.items[0].kind }} / {{ m.job }}", encoding="utf-8")
    message = compose(alert(finding=WALL), templates_dir=tmp_path, people=[person(language="fi")])
    assert message.title == "Kosteus tiivistyy / Elm Street 5"
    assert "NEW: Kosteus tiivistyy: North wall" in message.text


def test_a_language_nobody_translated_falls_back_to_english() -> None:
    assert Templates("sv-FI").text("Mould conditions") == "Mould conditions"


@pytest.mark.parametrize(
    ("content", "remedy"),
    [("msgid", "Correct that file"), ('msgid "Now {now}."\nmsgstr "Nyt {nyt}."\n', "Use only slots")],
)
def test_a_broken_translation_is_named_with_a_remedy(tmp_path: Path, content: str, remedy: str) -> None:
    (tmp_path / "fi.po").write_text(content)
    with pytest.raises(ConfigurationError, match=remedy):
        Templates("fi", tmp_path)


@pytest.mark.parametrize(("name", "content"), [("title.txt.j2", "{{ m.nothing }}"), ("title.txt.j2", "{% if")])
def test_a_broken_template_is_named_with_a_remedy(tmp_path: Path, name: str, content: str) -> None:
    (tmp_path / "en").mkdir()
    (tmp_path / "en" / name).write_text(content)
    with pytest.raises(ConfigurationError, match=r"firm's own templates"):
        compose(alert(), templates_dir=tmp_path)


# --- links ----------------------------------------------------------------------------------------------------

LINK = Link(purpose=Purpose.ACKNOWLEDGE, person="anna", subject="f" * 24, episode=3, expires=int(after(60).timestamp()))


def test_a_link_says_what_it_was_made_to_say() -> None:
    assert read(sign(LINK, SECRET), Purpose.ACKNOWLEDGE, SECRET, after(59)) == LINK


def test_a_link_expires() -> None:
    with pytest.raises(LinkError, match=r"valid until 2025-03-01 13:00 UTC"):
        read(sign(LINK, SECRET), Purpose.ACKNOWLEDGE, SECRET, after(60))


def test_a_link_serves_one_purpose() -> None:
    with pytest.raises(LinkError, match="not valid"):
        read(sign(LINK, SECRET), Purpose.MUTE, SECRET, T0)


def test_a_purpose_written_into_the_content_does_not_help() -> None:
    forged = LINK.model_copy(update={"purpose": Purpose.MUTE})
    body = base64.urlsafe_b64encode(forged.model_dump_json().encode()).rstrip(b"=").decode()
    signature = sign(LINK, SECRET).rpartition(".")[2]
    with pytest.raises(LinkError):
        read(f"{body}.{signature}", Purpose.MUTE, SECRET, T0)


def test_a_link_of_another_program_is_refused() -> None:
    with pytest.raises(LinkError):
        read(sign(LINK, b"t" * 32), Purpose.ACKNOWLEDGE, SECRET, T0)


@given(st.integers(0, 10_000), st.characters())
@effort(deadline=None)
def test_a_link_altered_anywhere_is_refused(location: int, letter: str) -> None:
    token = sign(LINK, SECRET)
    at = location % len(token)
    altered = token[:at] + letter + token[at + 1 :]
    if altered == token:
        return
    with pytest.raises(LinkError):
        read(altered, Purpose.ACKNOWLEDGE, SECRET, T0)


@pytest.mark.parametrize("token", ["", ".", "a.b", "a", "é.ü", "." * 50])
def test_what_is_no_link_is_refused_in_words(token: str) -> None:
    with pytest.raises(LinkError):
        read(token, Purpose.ACKNOWLEDGE, SECRET, T0)


def test_the_signature_is_a_keyed_hash_with_a_key_of_its_own_for_each_purpose() -> None:
    """HMAC-SHA-256 of RFC 2104, computed here with the standard library by hand."""
    body, _, signature = sign(LINK, SECRET).rpartition(".")
    key = hmac.new(SECRET, b"monitord link: acknowledge", "sha256").digest()
    expected = base64.urlsafe_b64encode(hmac.new(key, body.encode(), "sha256").digest()).rstrip(b"=").decode()
    assert signature == expected
    squeezed = base64.urlsafe_b64decode(body[1:] + "=" * (-len(body[1:]) % 4))
    assert body.startswith(".")  # as itsdangerous marks content that it has squeezed by zlib (RFC 1950)
    assert json.loads(zlib.decompress(squeezed))["subject"] == "f" * 24


def test_a_link_signed_for_us_with_content_of_another_kind_is_refused() -> None:
    """What an older version of the program signed, for example."""
    serializer = URLSafeSerializer(
        SECRET, b"monitord link: acknowledge", signer_kwargs={"key_derivation": "hmac", "digest_method": hashlib.sha256}
    )
    known = LINK.model_dump(mode="json")
    assert read(str(serializer.dumps(known)), Purpose.ACKNOWLEDGE, SECRET, T0) == LINK
    with pytest.raises(LinkError, match="not valid"):
        read(str(serializer.dumps(known | {"job": "x"})), Purpose.ACKNOWLEDGE, SECRET, T0)


# --- digests --------------------------------------------------------------------------------------------------

EARLY = person(digest_at="07:00", name="Anna")  # 05:00 UTC in winter


@pytest.mark.parametrize(
    ("hours_after_seven", "last_hours_ago", "due"),
    [
        (-0.1, None, False),  # not yet
        (0.0, None, True),  # at its hour
        (3.9, None, True),  # the program was down at seven
        (4.1, None, False),  # too late to be a morning digest
        (1.0, 0.5, False),  # it has been written
        (1.0, 24.5, True),  # yesterday's has
    ],
)
def test_a_digest_is_due_at_the_persons_own_hour_and_once(
    hours_after_seven: float, last_hours_ago: float | None, due: bool
) -> None:
    seven = T0.replace(hour=5)
    now = seven + timedelta(hours=hours_after_seven)
    last = None if last_hours_ago is None else now - timedelta(hours=last_hours_ago)
    assert (due_since(EARLY, last, now) is not None) is due


def overview() -> Overview:
    forecast = Forecast(
        made_at=T0, low=after(5000), middle=after(8640), high=after(14_400), never=False, high_never=False
    )
    location = LocationAssessment(
        location="north",
        probe="p1",
        state=State.DRYING,
        facts=Facts(value=Quantity(value=81.0, u=1.0, unit="% RH"), rate=Quantity(value=-0.4, u=0.05, unit="% RH/day")),
        last_reading_at=T0,
        forecast=forecast,
    )
    assessed = JobAssessment(job="J1", as_of=T0, last_reading_at=after(-10), locations=(location,), findings=())
    taken = alert("mould", status=AlertStatus.ACKNOWLEDGED, acknowledged_by="Bo", opened_at=after(-3000))
    return Overview([job()], {"J1": assessed}, [alert(), closed(kind="rewetting", opened_at=after(-3000)), taken])


def digest(**change: object) -> list[Message]:
    one = settings(**({"people": [EARLY]} | change))
    return compose_digest(one.people[0], one, overview(), T0, after(-60), after(1))


def test_a_digest_says_what_is_new_open_over_drying_and_due_next() -> None:
    (message,) = digest()
    lines = [line.strip() for line in message.text.splitlines()]
    assert "- Condensation likely: North wall [This week]" in lines
    assert "- Getting wet again: North wall, Sat 1 Mar 14:30 EET" in lines
    assert any("Mould conditions: North wall [This week], since" in x and "acknowledged by Bo" in x for x in lines)
    assert "- North wall: 81 ± 2 % RH, falling 0.40 ± 0.10 % RH a day." in lines
    assert "- North wall: 5 to 11 Mar" in lines
    assert "Last reading: Sat 1 Mar 13:50 EET" in lines
    assert "2 open, 1 new" in message.title
    assert len(message.short) <= 160
    assert "North wall" in message.html


@pytest.mark.parametrize("end", [None, after(60 * 24)])
def test_a_digest_reminds_of_a_job_that_is_paused(end: datetime | None) -> None:
    pause = Pause(job="J1", start=T0, end=end, author="Anna", comment="the client decorates")
    span = "since Sat 1 Mar 14:00 EET" if end is None else "from Sat 1 Mar 14:00 EET to Sun 2 Mar 14:00 EET"
    said = f"Alerts paused by Anna {span}; recording goes on. Reason: the client decorates"
    one = settings(people=[EARLY])
    (message,) = compose_digest(EARLY, one, Overview([job()], {}, [], {"J1": pause}), T0, after(-60), T0)
    assert said in message.text
    assert said in message.html


def test_a_digest_holds_only_the_jobs_that_a_route_leads_from() -> None:
    two = [EARLY, person("bo")]
    assert digest(people=two, routes=[{"jobs": ["J1"], "people": ["bo"]}]) == []
    assert len(digest(people=two, routes=[{"jobs": ["J1"], "people": ["anna"]}])) == 1


def test_a_digest_goes_only_the_ways_that_take_one() -> None:
    ways = [{"channel": "mail"}, {"channel": "sms", "digest": False}]
    channels = [{"name": "mail", "url": "log://"}, {"name": "sms", "url": "log://"}]
    one = person(digest_at="07:00", ways=ways)
    assert [m.channel for m in digest(people=[one], channels=channels)] == ["mail"]


def test_the_digest_of_one_hour_has_one_id() -> None:
    assert digest()[0].id == digest()[0].id
