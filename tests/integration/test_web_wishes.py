"""Mutes, pauses and who was told, on the pages: what each form does, what it refuses, and what is shown of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import told_support as support
import web_support
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from monitord.alerts.routing.mutes import covers
from monitord.model.alerts import AlertStatus
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.config.settings import Settings
from monitord.store import alerts as stored_alerts
from monitord.store import mutes as stored_mutes
from monitord.store import pauses
from monitord.store.jobs import apply_job

OWN = {"origin": f"http://{web_support.OWN_HOST}", "sec-fetch-site": "same-origin"}
WISH = {"span": "1d", "why": "the roof is open"}
WHO = "Test owner"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[web_support.Site]:
    """The told site, for tests that only look."""
    made = support.told_mill_lane(tmp_path_factory.mktemp("told"))
    yield made
    made.db.close()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[web_support.Site]:
    """Mill Lane 4 with its alerts, nobody told yet, for tests that change something."""
    made = web_support.empty_site(tmp_path)
    made.settings = Settings(alerts=support.ALERTS)
    with made.db.write() as conn:
        apply_job(conn, web_support.MILL_LANE)
        stored_alerts.save_alerts(conn, web_support.alerts())
    yield made
    made.db.close()


def words(page: str) -> str:
    """A page's text, without tags, spaces as one."""
    text = " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1].split("</main", maxsplit=1)[0]).split())
    return re.sub(r" ([,.;:])", r"\1", text)


def post(client: TestClient, path: str, data: dict[str, str]) -> tuple[int, str]:
    answer = client.post(path, data=data, headers=OWN, follow_redirects=False)
    return answer.status_code, answer.headers.get("location", answer.text)


# --- mutes ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "covered"),
    [
        ("alert", {"rewetting"}),
        ("place", {"rewetting"}),
        ("kind", {"rewetting"}),
        ("job", {"rewetting", "drying_stalled", "probe_silent"}),
    ],
)
def test_a_mute_made_at_an_alert_covers_what_was_chosen(site: web_support.Site, what: str, covered: set[str]) -> None:
    _, url = support.open_alert(site, "rewetting")
    assert post(site.client(), f"{url}/mute", WISH | {"what": what}) == (303, "/alerts#mutes")
    with site.db.read() as conn:
        (kept,) = stored_mutes.mutes(conn)
        assert {a.kind for a in stored_alerts.open_alerts(conn) if covers(kept, a)} == covered
    assert (kept.author, kept.comment) == (WHO, "the roof is open")
    assert (kept.start, kept.end) == (support.NOW, support.NOW + timedelta(days=1))


def test_a_mute_of_a_job_a_place_or_a_kind_is_made_on_the_page_of_alerts(site: web_support.Site) -> None:
    wanted = {"job": "mill-lane-4", "location": "hall", "kind": "drying_stalled"}
    assert post(site.client(), "/mutes", WISH | wanted) == (303, "/alerts#mutes")
    with site.db.read() as conn:
        (kept,) = stored_mutes.mutes(conn)
        assert [a.kind for a in stored_alerts.open_alerts(conn) if covers(kept, a)] == ["drying_stalled"]
    shown = words(site.client().get("/alerts").text)
    assert "Mill Lane 4, Hall, timber floor void, Drying stalled" in shown
    assert "the roof is open" in shown


@pytest.mark.parametrize(
    ("change", "health_problem"),
    [
        ({"why": " "}, "Say why"),
        ({"why": "x" * 501}, "at most 500 letters"),
        ({"span": "for ever"}, "Say for how long"),
        ({"job": "", "kind": ""}, "Say what is to be muted"),
        ({"job": "", "kind": "*"}, "would cover every alert there is"),
    ],
)
def test_a_mute_that_is_not_whole_is_refused_in_words(
    site: web_support.Site, change: dict[str, str], health_problem: str
) -> None:
    status, text = post(site.client(), "/mutes", WISH | {"job": "mill-lane-4"} | change)
    assert status == 422
    assert health_problem in text
    with site.db.read() as conn:
        assert stored_mutes.mutes(conn) == []


def test_a_mute_is_ended_from_the_page_by_name(site: web_support.Site) -> None:
    client = site.client()
    post(client, "/mutes", WISH | {"job": "mill-lane-4"})
    with site.db.read() as conn:
        (kept,) = stored_mutes.mutes(conn)
    site.clock.at += timedelta(hours=1)
    assert post(client, f"/mutes/{kept.id}/end", {}) == (303, "/alerts#mutes")
    assert post(client, "/mutes/nothing/end", {})[0] == 404
    with site.db.read() as conn:
        ended = stored_mutes.get_mute(conn, kept.id)
    assert ended is not None
    assert (ended.ended_at, ended.ended_by) == (site.clock.at, WHO)
    assert "the roof is open" not in client.get("/alerts").text


@pytest.mark.parametrize(
    "path", ["/mutes", "/mutes/x/end", "/jobs/mill-lane-4/pause", "/jobs/mill-lane-4/resume", "{alert}/mute"]
)
@pytest.mark.parametrize(
    "headers", [{"sec-fetch-site": "cross-site"}, {"origin": "https://elsewhere.example"}], ids=str
)
def test_a_form_on_another_page_changes_nothing(site: web_support.Site, path: str, headers: dict[str, str]) -> None:
    _, url = support.open_alert(site, "rewetting")
    data = WISH | {"job": "mill-lane-4", "what": "alert"}
    assert site.client().post(path.format(alert=url), data=data, headers=headers).status_code == 403
    with site.db.read() as conn:
        assert stored_mutes.mutes(conn) == []
        assert pauses.standing(conn, support.NOW) == {}


# --- pauses ---------------------------------------------------------------------------------------------------


def test_a_job_is_paused_and_resumed_from_its_page(site: web_support.Site) -> None:
    client = site.client()
    assert "Pause alerts" in client.get("/jobs/mill-lane-4").text
    assert post(client, "/jobs/mill-lane-4/pause", WISH | {"span": ""}) == (303, "/jobs/mill-lane-4#plate")
    shown = words(client.get("/jobs/mill-lane-4").text)
    assert "Alerts paused by Test owner since Tue 24 Nov 07:20 GMT: the roof is open. Recording goes on" in shown
    assert "Resume alerts" in shown
    assert "Nothing needs you" not in shown
    assert "– paused – monitord</title>" in client.get("/jobs/mill-lane-4").text
    assert client.get("/api/jobs").json()[0]["paused"] == "Test owner: the roof is open"
    assert "Alerts paused; recording goes on and nobody is warned." in shown
    assert "Alerts paused by Test owner" in words(client.get("/jobs/mill-lane-4/locations/utility").text)
    assert "by Test owner: the roof is open" in words(client.get("/").text)
    with site.db.read() as conn:
        assert stored_alerts.open_alerts(conn, "mill-lane-4") == []
        closed = [a for a in stored_alerts.current_alerts(conn, "mill-lane-4") if a.kind == "rewetting"]
    assert closed[0].status is AlertStatus.CLOSED
    assert closed[0].closing_reason == "the job was paused by Test owner: the roof is open"
    assert post(client, "/jobs/mill-lane-4/pause", WISH)[0] == 409
    assert post(client, "/jobs/mill-lane-4/resume", {}) == (303, "/jobs/mill-lane-4#plate")
    assert post(client, "/jobs/mill-lane-4/resume", {})[0] == 409
    assert "Alerts paused" not in client.get("/jobs/mill-lane-4").text


def test_a_pause_with_an_end_says_so_and_ends_by_itself(site: web_support.Site) -> None:
    client = site.client()
    post(client, "/jobs/mill-lane-4/pause", WISH | {"span": "3d"})
    assert "until Fri 27 Nov 07:20 GMT" in words(client.get("/jobs/mill-lane-4").text)
    site.clock.at += timedelta(days=3)
    assert "Alerts paused" not in client.get("/jobs/mill-lane-4").text


@pytest.mark.parametrize(
    ("path", "change", "status"),
    [
        ("/jobs/attic/pause", {}, 404),
        ("/jobs/attic/resume", {}, 404),
        ("/jobs/mill-lane-4/pause", {"why": ""}, 422),
        ("/jobs/mill-lane-4/pause", {"span": "soon"}, 422),
    ],
)
def test_a_pause_that_is_not_whole_is_refused(
    site: web_support.Site, path: str, change: dict[str, str], status: int
) -> None:
    assert post(site.client(), path, WISH | change)[0] == status


# --- who was told ---------------------------------------------------------------------------------------------


def test_an_alerts_page_says_who_was_told_and_why_and_what_comes_next(told: web_support.Site) -> None:
    _, url = support.open_alert(told, "rewetting")
    shown = words(told.client().get(url).text)
    assert "R. Okafor Sent; the reminder is not due yet. reminded, Tue 24 Nov 09:20 GMT" in shown
    assert "B. Moran The message could not be delivered." in shown
    assert "B. Moran sms New could not be delivered, tried 5 times" in shown
    assert "R. Okafor mail New sent" in shown
    assert "Sun 22 Nov 06:10 GMT Opened" in shown


def test_an_alerts_page_says_why_someone_is_not_told(told: web_support.Site) -> None:
    _, stalled = support.open_alert(told, "drying_stalled")
    shown = words(told.client().get(stalled).text)
    assert "R. Okafor Muted by R. Okafor: the hall is being painted. decided again, Thu 26 Nov 07:20 GMT" in shown
    _, silent = support.open_alert(told, "probe_silent")
    assert "R. Okafor R. Okafor acknowledged it before it was sent." in words(told.client().get(silent).text)


def test_the_page_of_alerts_tells_in_short_who_knows_and_when_it_is_said_again(told: web_support.Site) -> None:
    shown = words(told.client().get("/alerts").text)
    assert (
        "Sent to A. Lind and R. Okafor. Could not be delivered to B. Moran. Next message Tue 24 Nov 09:20 GMT" in shown
    )
    assert "No further messages for now (muted by R. Okafor: the hall is being painted)." in shown
    assert "Not sent to anyone (R. Okafor acknowledged it before it was sent)." in shown


def test_what_could_not_be_delivered_is_listed_with_the_last_answer(told: web_support.Site) -> None:
    shown = words(told.client().get("/alerts").text)
    title = "Getting wet again: Utility room, outside…, Mill Lane 4"
    assert f"{title} B. Moran sms Mon 23 Nov 21:20 UTC given up, tried 5 times out of order" in shown


def test_where_nobody_is_named_in_the_settings_the_page_says_so(site: web_support.Site) -> None:
    site.settings = Settings(alerts=AlertSettings())
    _, url = support.open_alert(site, "rewetting")
    assert "No people in the settings: alerts show only on these pages." in site.client().get(url).text


def test_a_closed_alert_keeps_its_page_and_cannot_be_muted(told: web_support.Site) -> None:
    closed = next(a for a in web_support.alerts() if a.status is AlertStatus.CLOSED)
    page = told.client().get(f"/alerts/{closed.fingerprint}/1").text.replace("\u00a0", " ")
    assert "Closed: deficit back for 24 h." in page
    assert "/mute" not in page
    assert f"/alerts/{closed.fingerprint}/1" in told.client().get("/alerts").text


@pytest.mark.parametrize("path", ["/alerts/nothing/1", "/alerts/{}/2"])
def test_an_alert_that_is_not_there_is_not_found(told: web_support.Site, path: str) -> None:
    print_, _ = support.open_alert(told, "rewetting")
    assert told.client().get(path.format(print_)).status_code == 404


def test_metrics_count_what_could_not_be_delivered_and_what_is_paused(told: web_support.Site) -> None:
    families = {f.name: f for f in text_string_to_metric_families(told.client().get("/metrics").text)}
    messages = {s.labels["state"]: s.value for s in families["monitord_messages"].samples}
    assert messages == {"waiting": 0, "undeliverable": 1}
    paused = {s.labels["job"]: s.value for s in families["monitord_job_paused"].samples}
    assert paused == {"mill-lane-4": 0, "quay-9": 1}


def test_looking_at_the_pages_tells_nobody_anything(told: web_support.Site) -> None:
    def rows() -> list[int]:
        with told.db.read() as conn:
            tables = ("outbox", "outbox_item", "notification_log", "alert_event", "alert")
            return [conn.exec_driver_sql(f"select count(*) from {table}").scalar_one() for table in tables]

    before = rows()
    _, url = support.open_alert(told, "rewetting")
    for path in ("/alerts", url, "/alerts?job=mill-lane-4"):
        assert told.client().get(path).status_code == 200
    assert rows() == before
