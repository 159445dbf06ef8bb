"""Every route against every kind of visitor: the routes come from the application itself, so none can be forgotten."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import web_support as support
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from monitord.model.access import Role, Scope, Visitor
from monitord.store import alerts as stored_alerts
from monitord.store.access import tokens
from monitord.store.jobs import apply_job
from monitord.web.app import parts, routers
from monitord.web.middleware.policy import RULES, Need, Rule, rule_for

OTHER_JOB = "quay-9"


def all_routes(site: support.Site) -> list[tuple[str, str]]:
    """Method and path of every route of the application."""
    web = parts(site.db, site.clock, site.settings)
    found = [("GET", "/api/openapi.json"), ("GET", "/static/{path:path}")]
    for router in routers(web):
        for route in router.routes:
            assert isinstance(route, APIRoute)
            found += [(method, route.path) for method in sorted(route.methods - {"HEAD"})]
    return found


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[support.Site]:
    made = support.empty_site(tmp_path_factory.mktemp("matrix"))
    other = support.MILL_LANE.model_copy(update={"job": OTHER_JOB, "name": "Quay 9", "probes": ()})
    with made.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        apply_job(conn, other)
        stored_alerts.save_alerts(conn, support.alerts())
    yield made
    made.db.close()


@pytest.fixture(scope="module")
def visitors(site: support.Site) -> dict[str, TestClient]:
    """One of each kind; those with a job of their own see another one than the paths name."""
    now = site.clock.now()
    with site.db.write() as conn:
        reading, ingest, ended = (
            tokens.add_token(conn, name, scope, "test", now)
            for name, scope in (("reader", Scope.READ), ("gateway", Scope.INGEST), ("old", Scope.READ))
        )
        tokens.end_token(conn, 3, now)
    elsewhere = frozenset({OTHER_JOB})
    return {
        "owner": site.client(Role.OWNER),
        "technician": site.client(Role.TECHNICIAN),
        "viewer": site.client(Role.VIEWER),
        "technician elsewhere": site.client(Role.TECHNICIAN, elsewhere),
        "viewer elsewhere": site.client(Role.VIEWER, elsewhere),
        "reading token": site.client(token=reading),
        "ingest token": site.client(token=ingest),
        "revoked token": site.client(token=ended),
        "nobody": site.client(None),
    }


RANK = {"viewer": 0, "technician": 1, "owner": 2}


def expected(rule: Rule, who: str, path: str) -> str:
    """`in`, or how the visitor is kept out: by the table of the policy and by which job the path names."""
    if rule.need is Need.NOTHING:
        return "in"
    if who in ("nobody", "revoked token"):
        return "sign in"
    if "token" in who:
        own = {"reading token": Scope.READ, "ingest token": Scope.INGEST}[who]
        return "in" if rule.scope is own else "refused"
    if rule.need is Need.TOKEN or RANK[who.split(maxsplit=1)[0]] < RANK[rule.need.value]:
        return "refused"
    names_a_job = "{job_id}" in path or "{fingerprint}" in path or "{mute_id}" in path
    return "hidden" if "elsewhere" in who and names_a_job else "in"


def asked(path: str) -> str:
    """A path of which every part names something that is there, or something harmless."""
    fingerprint = support.alerts()[0].fingerprint
    known = {"job_id": "mill-lane-4", "location_id": "utility", "fingerprint": fingerprint, "episode": "1"}
    known |= {"purpose": "mute", "topic:path": "monitord/g/p/status", "path:path": "style.css", "token_id": "999"}
    return re.sub(r"\{([^}]+)\}", lambda part: known.get(part[1], "nothing"), path)


def test_a_clients_link_opens_one_page_and_nothing_else(site: support.Site, visitors: dict[str, TestClient]) -> None:
    """The client of a job asks for every route there is: but for the doors that anyone finds, all stay shut."""
    visitors["technician"].post("/jobs/mill-lane-4/share", data={"given_to": "H. Lowe", "days": "30"})
    link = re.search(r"<code>(/c/[^<]+)</code>", visitors["technician"].get("/jobs/mill-lane-4/share").text)
    assert link is not None
    client = site.client(None)
    page = client.get(link[1])
    assert page.status_code == 200
    assert "set-cookie" not in page.headers
    assert re.findall(r'(?:href|action|src)="(/(?!static/)[^"]*)"', page.text) == [], "no way leads on from it"
    for method, path in all_routes(site):
        rule = next(rule for rule in RULES if (rule.method, rule.path) == (method, path))
        answer = client.request(method, asked(path), follow_redirects=False)
        got = outcome(answer.status_code, answer.headers.get("location", ""), answer.text)
        if rule.need is not Need.NOTHING:
            assert got == "sign in", f"{method} {path}"
        else:
            assert "Mill Lane" not in answer.text, f"{method} {path}"


KINDS = [
    "owner",
    "technician",
    "viewer",
    "technician elsewhere",
    "viewer elsewhere",
    "reading token",
    "ingest token",
    "revoked token",
    "nobody",
]


def test_every_route_has_its_line_in_the_policy_and_no_line_is_of_a_route_that_is_gone(site: support.Site) -> None:
    assert sorted(all_routes(site)) == sorted((rule.method, rule.path) for rule in RULES)


def test_a_route_that_the_policy_does_not_name_is_the_owners() -> None:
    rule, _ = rule_for("POST", "/jobs/x/something-new")
    assert rule.need is Need.OWNER
    assert not rule.admits(Visitor(name="T", person="t", role=Role.TECHNICIAN, jobs=None))


def test_a_program_is_told_which_methods_an_address_takes(visitors: dict[str, TestClient]) -> None:
    """RFC 9110, 15.5.6; whoever is not known hears no more than before."""
    answer = visitors["reading token"].post("/api/jobs", content=b"")
    assert (answer.status_code, answer.headers.get("allow")) == (405, "GET")
    assert visitors["nobody"].post("/api/jobs", content=b"").status_code in (401, 403)


@pytest.mark.parametrize("who", KINDS)
def test_each_visitor_gets_exactly_what_is_theirs(
    site: support.Site, visitors: dict[str, TestClient], who: str
) -> None:
    client, wrong = visitors[who], []
    for method, path in all_routes(site):
        rule = next(rule for rule in RULES if (rule.method, rule.path) == (method, path))
        if path == "/sign-out":
            continue  # asked for below: it ends the session
        answer = client.request(method, asked(path), follow_redirects=False)
        got = outcome(answer.status_code, answer.headers.get("location", ""), answer.text)
        want = expected(rule, who, path)
        if got != want:
            wrong.append(f"{method} {path}: {got} instead of {want} ({answer.status_code})")
    assert wrong == []


def outcome(status: int, location: str, text: str) -> str:
    if status == 401 and ("Sign in, or send a token" in text or "You are signed out" in text):
        return "sign in"
    if status == 303 and location.startswith("/sign-in?next="):
        return "sign in"
    if status == 403 and "Your access does not cover this" in text:
        return "refused"
    if status == 404 and "There is no such page" in text:
        return "hidden"
    return "in"


def test_what_is_hidden_appears_on_no_page_and_in_no_list(site: support.Site, visitors: dict[str, TestClient]) -> None:
    client = visitors["viewer elsewhere"]
    for path in ("/", "/alerts", "/probes", "/api/jobs", "/api/alerts?closed=true", "/api/probes", "/settings"):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert "mill-lane-4" not in answer.text, path
        assert "Mill Lane" not in answer.text, path
    assert "Quay 9" in client.get("/").text
    assert client.get("/jobs/mill-lane-4").status_code == 404
    assert client.get("/jobs/nowhere").status_code == 404, "what is hidden answers as what is not there"


def test_a_technician_can_not_mute_what_is_hidden_from_them(
    site: support.Site, visitors: dict[str, TestClient]
) -> None:
    client = visitors["technician elsewhere"]
    wish = {"span": "1d", "why": "tired"}
    for more in (
        {"job": "mill-lane-4"},
        {"kind": "rewetting"},
        {"location": "hall"},
        {"job": "*", "kind": "rewetting"},
    ):
        answer = client.post("/mutes", data=wish | more)
        assert answer.status_code == 422, more
        assert "Say which of your jobs" in answer.text
    assert client.post("/mutes", data=wish | {"job": OTHER_JOB}, follow_redirects=False).status_code == 303


def test_a_viewer_sees_no_form_that_would_be_refused(site: support.Site, visitors: dict[str, TestClient]) -> None:
    for path in ("/jobs/mill-lane-4", "/alerts", f"/alerts/{support.alerts()[0].fingerprint}/1"):
        forms = re.findall(r'<form method="post" action="([^"]*)"', visitors["viewer"].get(path).text)
        assert forms == [], path
        assert re.findall(r'<form method="post"', visitors["technician"].get(path).text), path


def test_a_session_that_was_ended_or_has_expired_lets_nobody_in(tmp_path: Path) -> None:
    site = support.empty_site(tmp_path)
    client = site.client()
    assert client.get("/").status_code == 200
    assert client.post("/sign-out", follow_redirects=False).headers["location"] == "/sign-in"
    assert client.get("/", follow_redirects=False).headers["location"].startswith("/sign-in")
    late = site.client()
    site.clock.at += timedelta(days=3651)
    assert late.get("/", follow_redirects=False).headers["location"].startswith("/sign-in")
    site.db.close()
