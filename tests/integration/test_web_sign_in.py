"""Signing in over the web: the first owner, passwords, tries that fail, sessions, forms, proxies, and the record."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import web_support as support
from sqlalchemy import delete, update
from starlette.testclient import TestClient

from monitord.access import passwords, signing_in
from monitord.errors import AccessError, StoreError
from monitord.model.access import Role, Scope
from monitord.model.config.settings import Settings, WebSettings
from monitord.store.access import audit, people, sessions, tokens
from monitord.store.access.digests import digest_of
from monitord.store.db.access_tables import audit as audit_table
from monitord.store.db.access_tables import person, session
from monitord.store.series.readings import load_series
from monitord.web.app import create_app
from monitord.web.routes.forms import own_path

GOOD = "wet floors dry slowly today"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[support.Site]:
    made = support.empty_site(tmp_path)
    yield made
    made.db.close()


def field(page: str) -> str:
    found = re.search(r'name="form_token" value="([0-9a-f]{40})"', page)
    assert found is not None, "the page's form carries its word"
    return found[1]


def with_owner(site: support.Site, who: str = "r.okafor") -> None:
    with site.db.write() as conn:
        people.add_person(conn, who, "R. Okafor", Role.OWNER, None, site.clock.now())
        people.set_password(conn, who, passwords.hash_password(GOOD))


def try_in(client: TestClient, password: str, who: str = "r.okafor", **more: str) -> int:
    word = field(client.get("/sign-in").text)
    data = {"person": who, "password": password, "form_token": word} | more
    return client.post("/sign-in", data=data, follow_redirects=False).status_code


# --- the first owner ----------------------------------------------------------------------------------------------


def test_the_first_owner_comes_in_by_a_link_that_works_once(site: support.Site) -> None:
    client = site.client(None)
    assert "Nobody owns this monitord yet" in client.get("/sign-in").text
    with site.db.write() as conn:
        link = f"/set-up/{signing_in.owner_link(conn, site.clock.now())}"
    page = client.get(link)
    assert "Become the owner" in page.text
    assert "Become the owner" in client.get(link).text, "to look does not use it up: mail scanners look, too"
    data = {"name": "R.  Okafor", "person": "R.Okafor@example.org", "form_token": field(page.text)}
    short = client.post(link, data=data | {"password": "too short"})
    assert short.status_code == 422
    assert f"fewer than {passwords.MIN_LENGTH}" in short.text
    assert 'value="R.  Okafor"' in short.text, "what was typed stays"
    assert client.post(link, data=data | {"password": GOOD}, follow_redirects=False).status_code == 303
    assert "Signed in as R. Okafor." in client.get("/").text
    assert client.get("/settings/people").status_code == 200
    again = site.client(None)
    assert again.get(link).status_code == 403
    assert "has been used or is over" in again.get(link).text
    assert try_in(again, GOOD, "r.okafor@example.org") == 303
    with site.db.read() as conn:
        assert [e.what for e in audit.entries(conn)][::-1] == [
            "made a link for an owner",
            "set a password by a one-time link",
            "signed in",
            "signed in",
        ]


def test_a_link_is_over_after_its_time_and_when_a_newer_one_was_made(site: support.Site) -> None:
    with site.db.write() as conn:
        first = signing_in.owner_link(conn, site.clock.now())
        second = signing_in.owner_link(conn, site.clock.now())
    client = site.client(None)
    assert client.get(f"/set-up/{first}").status_code == 403
    assert client.get(f"/set-up/{second}").status_code == 200
    site.clock.at += signing_in.OWNER_LINK_LASTS
    assert client.get(f"/set-up/{second}").status_code == 403


# --- passwords ----------------------------------------------------------------------------------------------------


def test_a_password_is_kept_as_argon2id_and_never_as_itself(site: support.Site) -> None:
    with_owner(site)
    with site.db.read() as conn:
        kept = people.password_of(conn, "r.okafor")
    # RFC 9106, 4: the second recommended option is t=3, p=4, m=64 MiB (2**16 KiB)
    assert kept is not None
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert GOOD not in kept


@pytest.mark.parametrize(
    ("password", "why"),
    [("x" * 14, "fewer than 15"), ("x" * 40, "one pattern"), ("okaforokaforokafor", "your own name")],
)
def test_a_new_password_that_is_easily_guessed_is_refused(password: str, why: str) -> None:
    with pytest.raises(AccessError, match=why):
        passwords.check_new(password, "okafor")
    passwords.check_new(GOOD, "okafor")


def test_only_few_hashes_are_computed_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    within, most, lock, release = 0, 0, threading.Lock(), threading.Event()

    class Slow:
        def hash(self, _: str) -> str:
            nonlocal within, most
            with lock:
                within, most = within + 1, max(most, within + 1)
            release.wait(10)
            with lock:
                within -= 1
            return "x"

    monkeypatch.setattr(passwords, "_hasher", Slow())
    threads = [threading.Thread(target=passwords.hash_password, args=("p",)) for _ in range(6)]
    for thread in threads:
        thread.start()
    release.set()
    for thread in threads:
        thread.join(20)
    assert most <= passwords.AT_ONCE == 2


def test_changing_the_password_asks_for_the_old_one_and_ends_other_sessions(site: support.Site) -> None:
    with_owner(site)
    first, there = site.client(None), site.client(None)
    assert (try_in(first, GOOD), try_in(there, GOOD)) == (303, 303)
    word = field(first.get("/settings").text)
    new = "a quite different set of words"
    wrong = first.post("/settings/password", data={"old": "no", "new": new, "form_token": word})
    assert wrong.status_code == 422
    assert "The old password does not fit" in wrong.text
    data = {"old": GOOD, "new": new, "form_token": word}
    assert first.post("/settings/password", data=data, follow_redirects=False).status_code == 303
    assert first.get("/", follow_redirects=False).status_code == 200
    assert there.get("/", follow_redirects=False).status_code == 303, "the other browser is signed out"
    assert (try_in(there, GOOD), try_in(there, new)) == (401, 303)


# --- tries that fail ----------------------------------------------------------------------------------------------


def test_after_five_failures_even_the_right_password_has_to_wait(site: support.Site) -> None:
    with_owner(site)
    client = site.client(None)
    assert [try_in(client, "wrong") for _ in range(5)] == [401] * 5
    assert try_in(client, GOOD) == 429, "counted first: the password is not even looked at"
    site.clock.at += signing_in.WINDOW - timedelta(seconds=1)
    assert try_in(client, GOOD) == 429
    site.clock.at += timedelta(seconds=2)
    assert try_in(client, GOOD) == 303
    assert [try_in(site.client(None), "wrong") for _ in range(5)] == [401] * 5, "a success starts the count anew"


def test_an_address_that_tries_many_names_has_to_wait_and_other_addresses_do_not(site: support.Site) -> None:
    with_owner(site)
    now = site.clock.now()
    for k in range(signing_in.MAX_FROM_ADDRESS):
        with pytest.raises(AccessError, match="don't fit"):
            signing_in.sign_in(site.db, f"name{k}", "x", now, "203.0.113.5", "")
    with pytest.raises(signing_in.TooManyTriesError):
        signing_in.sign_in(site.db, "r.okafor", GOOD, now, "203.0.113.5", "")
    assert signing_in.sign_in(site.db, "r.okafor", GOOD, now, "198.51.100.7", "")


def test_an_unknown_name_is_refused_in_the_same_words(site: support.Site) -> None:
    with_owner(site)
    said = []
    for who in ("r.okafor", "nobody"):
        client = site.client(None)
        data = {"person": who, "password": "wrong", "form_token": field(client.get("/sign-in").text)}
        page = client.post("/sign-in", data=data).text
        said.append(re.search(r'id="wrong">([^<]*)<', page)[1])  # type: ignore[index]
    assert said[0] == said[1]


def test_who_signs_in_goes_on_to_the_page_they_wanted_and_nowhere_else(site: support.Site) -> None:
    with_owner(site)
    client = site.client(None)
    asked = client.get("/alerts?job=x", follow_redirects=False)
    assert asked.headers["location"] == "/sign-in?next=%2Falerts%3Fjob%3Dx"
    word = field(client.get(asked.headers["location"]).text)
    data = {"person": "R.OKAFOR ", "password": GOOD, "next": "/alerts?job=x", "form_token": word}
    assert client.post("/sign-in", data=data, follow_redirects=False).headers["location"] == "/alerts?job=x"


@pytest.mark.parametrize(
    "path", ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "", "x", "/a\nb"]
)
def test_no_address_leads_elsewhere(path: str) -> None:
    assert own_path(path) == "/"


# --- cookies, forms, sessions -------------------------------------------------------------------------------------


def test_the_cookie_is_not_for_scripts_and_over_https_is_bound_to_the_host(site: support.Site) -> None:
    with_owner(site)
    plain = site.client(None)
    word = field(plain.get("/sign-in").text)
    data = {"person": "r.okafor", "password": GOOD, "form_token": word}
    line = plain.post("/sign-in", data=data, follow_redirects=False).headers["set-cookie"]
    assert re.fullmatch(r"monitord=[\w-]{43}; Path=/; HttpOnly; SameSite=Lax; Max-Age=2592000", line)
    app = create_app(site.db, site.clock, Settings(web=WebSettings(public_url="https://drying.example.org")))
    secure = TestClient(app, base_url="https://drying.example.org")
    page = secure.get("/sign-in")
    assert page.headers["strict-transport-security"] == "max-age=31536000"
    data["form_token"] = field(page.text)
    lines = secure.post("/sign-in", data=data, follow_redirects=False).headers["set-cookie"]
    assert re.fullmatch(r"__Host-monitord=[\w-]{43}; Path=/; HttpOnly; SameSite=Lax; Secure; Max-Age=2592000", lines)


@pytest.mark.parametrize("word", ["", "0" * 40, "another"])
def test_a_form_without_the_word_of_its_page_changes_nothing(site: support.Site, word: str) -> None:
    client = site.client()
    client.headers.pop("x-form-token")
    data = {"name": "Eve", "person": "eve", "role": "owner", "all_jobs": "1"}
    answer = client.post("/settings/people", data=data | ({"form_token": word} if word else {}))
    assert answer.status_code == 403
    with site.db.read() as conn:
        assert people.get_person(conn, "eve") is None
    other = site.client(Role.OWNER)
    stolen = field(other.get("/settings").text)
    client.cookies.set("monitord", site.sign_in())
    assert client.post("/settings/people", data=data | {"form_token": stolen}).status_code == 403
    own = field(client.get("/settings").text)
    assert client.post("/settings/people", data=data | {"form_token": own}).status_code == 200


def test_one_ends_ones_own_sessions_and_nobody_elses(site: support.Site) -> None:
    first, there, other = site.client(), site.client(), site.client(Role.VIEWER)
    with site.db.read() as conn:
        of_viewer = sessions.sessions_of(conn, "test-viewer", site.clock.now())[0]
        mine = digest_of(str(there.cookies["monitord"]))
    assert first.post(f"/settings/sessions/{of_viewer.digest}/end").status_code == 404
    assert other.get("/").status_code == 200
    assert first.post(f"/settings/sessions/{mine}/end", follow_redirects=False).status_code == 303
    assert there.get("/", follow_redirects=False).status_code == 303
    assert first.get("/", follow_redirects=False).status_code == 200


def test_what_the_database_keeps_lets_nobody_in(site: support.Site) -> None:
    client = site.client()
    secret = str(client.cookies["monitord"])
    with site.db.write() as conn:
        token = tokens.add_token(conn, "t", Scope.READ, "x", site.clock.now())
        kept = str(
            conn.exec_driver_sql("select * from session").all() + conn.exec_driver_sql("select * from api_token").all()
        )
    assert secret not in kept
    assert token not in kept
    for stolen in re.findall(r"[0-9a-f]{64}", kept):
        client.cookies.set("monitord", stolen)
        assert client.get("/", follow_redirects=False).status_code == 303


# --- people -------------------------------------------------------------------------------------------------------


def test_an_owner_lets_someone_in_for_one_job_who_sets_a_password_of_their_own(site: support.Site) -> None:
    owner = site.client()
    data = {"name": "B. Moran", "person": "b.moran", "role": "technician", "jobs": "mill-lane-4"}
    shown = owner.post("/settings/people", data=data).text
    link = re.search(r"/set-up/[\w-]{43}", shown)
    assert link is not None
    invited = site.client(None)
    page = invited.get(link[0]).text
    assert "B. Moran, set your password" in page
    form = {"password": GOOD, "form_token": field(page), "person": "someone-else", "name": "Someone"}
    assert invited.post(link[0], data=form, follow_redirects=False).status_code == 303
    with site.db.read() as conn:
        known = people.get_person(conn, "b.moran")
        assert people.get_person(conn, "someone-else") is None
    assert known is not None
    assert (known.role, known.jobs) == (Role.TECHNICIAN, frozenset({"mill-lane-4"}))
    assert invited.get("/settings/people").status_code == 403
    assert owner.post("/settings/people/b.moran", data={"role": "viewer"}, follow_redirects=False).status_code == 303
    assert invited.post("/mutes", data={"job": "mill-lane-4"}).status_code == 403, "the new role holds at once"
    assert owner.post("/settings/people/b.moran/end", follow_redirects=False).status_code == 303
    assert invited.get("/", follow_redirects=False).status_code == 303, "all sessions have ended"
    assert try_in(site.client(None), GOOD, "b.moran") == 401


def test_the_last_owner_stays(site: support.Site) -> None:
    with_owner(site)
    client = site.client(None)
    try_in(client, GOOD)
    client.headers["x-form-token"] = field(client.get("/settings").text)
    for path, data in (("/settings/people/r.okafor", {"role": "viewer"}), ("/settings/people/r.okafor/end", {})):
        answer = client.post(path, data=data)
        assert answer.status_code == 422
        assert "the only owner" in answer.text
    assert client.get("/settings/people").status_code == 200


def test_the_record_of_changes_can_not_be_altered(site: support.Site) -> None:
    site.client().post("/settings/tokens", data={"name": "gateway", "scope": "ingest"})
    for statement in (update(audit_table).values(who="nobody"), delete(audit_table)):
        with pytest.raises(StoreError, match="append-only"), site.db.write() as conn:
            conn.execute(statement)
    with site.db.read() as conn:
        (entry,) = audit.entries(conn)
    assert (entry.who, entry.what, entry.detail) == ("Test owner", "made a token", "gateway, ingest")
    assert "gateway, ingest" in site.client().get("/settings/changes").text


# --- tokens and ingest --------------------------------------------------------------------------------------------

READING = b'{"time": "2026-11-24T07:00:00Z", "temperature_c": 18.5, "relative_humidity_pct": 71.0}'


def token_of(site: support.Site, scope: Scope) -> str:
    with site.db.write() as conn:
        return tokens.add_token(conn, "gateway", scope, "test", site.clock.now())


def test_a_reading_that_is_handed_in_is_stored_before_it_is_accepted(site: support.Site) -> None:
    client = site.client(token=token_of(site, Scope.INGEST))
    answer = client.post("/api/readings/monitord/gw-1/K7-14/reading", content=READING)
    assert (answer.status_code, answer.json()) == (200, {"stored": 1, "repeats": 0, "conflicts": 0, "held": 0})
    again = client.post("/api/readings/monitord/gw-1/K7-14/reading", content=READING)
    assert again.json() == {"stored": 0, "repeats": 1, "conflicts": 0, "held": 0}
    bad = client.post("/api/readings/monitord/gw-1/K7-14/reading", content=b'{"time": 3}')
    assert bad.json()["held"] == 1
    stay = support.Placement(probe="K7-14", location_id="x", from_time=support.START)
    with site.db.read() as conn:
        series = load_series(conn, stay, support.START, support.NOW)
    assert series.temperature_c.tolist() == [18.5]
    assert series.relative_humidity_pct.tolist() == [71.0]
    # RFC 8428, 5.1.3: a SenML pack, through the same decoders
    pack = b'[{"bn":"K7-15:","bt":1795503600,"n":"t","u":"Cel","v":19.0},{"n":"rh","u":"%RH","v":64}]'
    senml = client.post("/api/readings/monitord/gw-1/K7-15/senml", content=pack)
    assert senml.status_code == 200


def test_what_is_too_long_is_refused_before_it_is_read(site: support.Site) -> None:
    client = site.client(token=token_of(site, Scope.INGEST))
    assert client.post("/api/readings/a/b", content=b"x" * 262_145).status_code == 413
    assert client.post("/api/readings/a/b", content=b"x" * 20_000).status_code == 200, "longer than a form may be"
    assert client.post("/api/readings/a/%23", content=b"x").status_code == 422


def test_a_store_that_refuses_is_no_success(site: support.Site, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitord.ingest.writer import BatchWriter

    def refuse(*_: object) -> None:
        raise StoreError("the database refused", why="disk is full")

    client = site.client(token=token_of(site, Scope.INGEST))
    monkeypatch.setattr(BatchWriter, "commit", refuse)
    answer = client.post("/api/readings/monitord/g/p/reading", content=READING)
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "10")


def test_a_token_is_revoked_at_once(site: support.Site) -> None:
    token = token_of(site, Scope.READ)
    client = site.client(token=token)
    assert client.get("/api/jobs").status_code == 200
    assert site.client().post("/settings/tokens/1/end", follow_redirects=False).status_code == 303
    answer = client.get("/api/jobs")
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, 'Bearer realm="monitord"')


# --- proxies ------------------------------------------------------------------------------------------------------


def behind(site: support.Site, peer: str, **web: object) -> TestClient:
    settings = Settings(web=WebSettings.model_validate({"public_url": "https://drying.example.org"} | web))
    app = create_app(site.db, site.clock, settings)
    return TestClient(app, base_url="http://drying.example.org", client=(peer, 40000))


def test_a_trusted_proxy_is_believed_and_nobody_else(site: support.Site) -> None:
    told = {"x-forwarded-proto": "https", "x-forwarded-for": "203.0.113.9"}
    proxied = behind(site, "10.0.0.2", trusted_proxies=["10.0.0.0/24"])
    page = proxied.get("/sign-in", headers=told)
    assert page.status_code == 200
    assert "__Host-monitord-form=" in page.headers["set-cookie"]
    assert proxied.get("/sign-in").status_code == 403, "a proxy that came by http"
    stranger = behind(site, "203.0.113.9", trusted_proxies=["10.0.0.0/24"])
    assert stranger.get("/sign-in", headers=told).status_code == 403, "what a stranger says of itself does not count"
    with_owner(site)
    for _ in range(5):
        page = proxied.get("/sign-in", headers=told)
        name, value = page.headers["set-cookie"].split(";")[0].split("=")
        data = {"person": "r.okafor", "password": "wrong", "form_token": field(page.text)}
        sent = told | {"cookie": f"{name}={value}", "origin": "https://drying.example.org"}
        assert proxied.post("/sign-in", data=data, headers=sent).status_code == 401
    with site.db.read() as conn:
        since = site.clock.now() - signing_in.WINDOW
        assert people.count_failures(conn, since, address="203.0.113.9") == 5, "the visitor's own address is counted"


def test_over_a_network_there_is_no_answer_in_the_clear(site: support.Site) -> None:
    answer = behind(site, "192.0.2.7").get("/sign-in")
    assert answer.status_code == 403
    assert "only https" in answer.text
    assert behind(site, "127.0.0.1").get("/sign-in").status_code == 200


def test_rows_that_the_tables_hold_are_of_known_people(site: support.Site) -> None:
    site.client()
    with site.db.write() as conn:
        conn.execute(delete(person))
        assert conn.execute(session.select()).all() == [], "sessions go with their person"
