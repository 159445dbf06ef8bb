"""The owner's page that tries a topic rule on a message: what it shows, and that it stores and changes nothing."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator

import pytest
import web_support as support
from sqlalchemy import func, select
from starlette.testclient import TestClient

from monitord.ingest.recipes import recipes
from monitord.model.access import Role
from monitord.store.db.tables import reading
from monitord.store.quarantine import count_held, list_held, put

PAGE = "/settings/rules"
TOPIC = "site/attic-7/up"
PAYLOAD = '{"ts": 1740823200, "temp": 18.2, "rh": 61.4}'
"""No gateway's: the words are those that many use."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[support.Site]:
    made = support.empty_site(tmp_path_factory.mktemp("rules"))
    with made.db.write() as conn:
        put(conn, TOPIC, PAYLOAD.encode(), made.clock.now(), "no_rule", "no rule for this topic")
        put(conn, "site/x/up", b"\xff\x00\x10", made.clock.now(), "not_json", "the payload is not JSON")
        put(conn, "", b"p9", made.clock.now(), "no_other_half", "came alone")
    yield made
    made.db.close()


@pytest.fixture(scope="module")
def owner(site: support.Site) -> TestClient:
    return site.client(Role.OWNER)


def steps(text: str) -> dict[str, str]:
    """The table of steps, the last of each name."""
    rows = re.findall(r'<th scope="row">([^<]+)</th><td class="said" data-name="Found"><code>([^<]*)</code>', text)
    return {html.unescape(what): html.unescape(found) for what, found in rows}


def proposal(text: str) -> str:
    found = re.search(r'<pre class="rule"><code>(.*?)</code>', text, re.DOTALL)
    assert found is not None
    return html.unescape(found[1])


def test_a_message_that_no_rule_takes_gets_a_proposal_which_takes_it(owner: TestClient) -> None:
    page = owner.post(PAGE, data={"topic": TOPIC, "payload": PAYLOAD}).text
    assert "Held: no reading comes of it" in page
    rule = proposal(page)
    assert 'pattern = "site/{probe}/up"' in rule
    tried = owner.post(PAGE, data={"topic": TOPIC, "payload": PAYLOAD, "rules": rule}).text
    assert "Not held" in tried
    assert steps(tried)["time"] == "1740823200"
    assert "probe attic-7" in steps(tried)["reading"]
    assert "temperature_c 18.2" in steps(tried)["reading"]


def test_what_is_held_is_linked_to_the_page_with_its_message(owner: TestClient) -> None:
    listed = owner.get("/probes").text
    links = re.findall(rf'href="{PAGE}\?held=(\d+)">([^<]+)<', listed)
    assert {topic for _, topic in links} == {TOPIC, "site/x/up"}, "what came on no topic has no rule to try"
    assert "came alone" in listed
    numbers = {topic: number for number, topic in links}
    page = owner.get(f"{PAGE}?held={numbers[TOPIC]}").text
    assert proposal(page)
    assert f'value="{TOPIC}"' in page
    binary = owner.get(f"{PAGE}?held={numbers['site/x/up']}").text
    assert "ff0010" in binary
    assert "No rule is proposed" in binary
    assert owner.get(f"{PAGE}?held=999").status_code == 404


@pytest.mark.parametrize("kind", ["Zigbee bridge: Zigbee2MQTT", "433 MHz receiver: rtl_433"])
def test_a_recipe_is_put_into_the_form(owner: TestClient, kind: str) -> None:
    page = html.unescape(owner.get(PAGE, params={"kind": kind}).text)
    assert recipes()[kind] in page
    assert all(name in page for name in recipes())


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"topic": " "}, "Write the topic"),
        ({"topic": "a/b", "payload": "xyz", "hex": "yes"}, "not hexadecimal"),
        ({"topic": "a/b", "rules": "[[topics]"}, "the rules below: the rules can&#39;t be used"),
        ({"topic": "a/b", "rules": '[[topics]]\npattern = "a/{probe}"\nformat = "cuneiform"'}, "cuneiform"),
        ({"topic": "a/b", "rules": '[[topics]]\npattern = "a/b/#/c"\nformat = "status"'}, "a/b/#/c"),
    ],
)
def test_what_can_not_be_tried_is_said(owner: TestClient, typed: dict[str, str], said: str) -> None:
    answer = owner.post(PAGE, data={"topic": "", "payload": "", "rules": ""} | typed)
    assert answer.status_code == 422
    assert said in answer.text


@pytest.mark.parametrize("topic", ["rt#l_43/x", "a+b/c", "/", "x" * 600, "a/{b/c"])
def test_a_topic_that_no_rule_can_name_gets_no_proposal(owner: TestClient, topic: str) -> None:
    """Found by the long run of malformed input."""
    answer = owner.post(PAGE, data={"topic": topic, "payload": PAYLOAD})
    assert answer.status_code == 200
    assert "Held: no reading comes of it" in answer.text


def test_markup_in_a_message_stays_text(owner: TestClient) -> None:
    page = owner.post(PAGE, data={"topic": "<b>/x", "payload": "</textarea><script>alert(1)</script>"}).text
    assert "<script>alert" not in page
    assert "<b>/x" not in page


def test_nothing_is_stored(site: support.Site, owner: TestClient) -> None:
    with site.db.read() as conn:
        before = count_held(conn), len(list_held(conn))
    good = '{"time": "2025-03-01T10:00:00Z", "temperature_c": 18.2, "relative_humidity_pct": 61.4}'
    for topic, payload in ((TOPIC, PAYLOAD), ("monitord/g/p/reading", good), ("monitord/g/p/reading", "x")):
        assert owner.post(PAGE, data={"topic": topic, "payload": payload}).status_code == 200
    with site.db.read() as conn:
        assert (count_held(conn), len(list_held(conn))) == before
        assert conn.execute(select(func.count()).select_from(reading)).scalar_one() == 0
