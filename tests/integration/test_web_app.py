"""The dashboard over a real store: pages, JSON, CSV, refusals, tags, errors."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import web_support as support
import yaml
from jsonschema import Draft202012Validator
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from monitord.alerts.messages.signed_links import Link, Purpose, sign
from monitord.model.alerts import AlertStatus, Severity
from monitord.model.assessments import Flow, Forecast, State
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.config.settings import Settings
from monitord.model.jobs import Calibration, JobFile, Location, LocationKind, Placement
from monitord.store import mirror
from monitord.store.alerts import events, get_alert, link_secret, open_alerts, save_alerts
from monitord.store.assessments import add_forecasts, save_assessment
from monitord.store.jobs import apply_job
from monitord.store.maintenance import leases
from monitord.store.mutes import mutes
from monitord.store.quarantine import put
from monitord.web.app import create_app
from monitord.web.middleware.etag import tag_of
from monitord.web.middleware.origin_check import HEADERS, MAX_BODY_BYTES

ROOT = Path(__file__).parents[2]
PAGES = ["/", "/jobs/mill-lane-4", "/jobs/mill-lane-4/locations/utility", "/alerts", "/probes", "/glossary"]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[support.Site]:
    """Mill Lane 4, hourly, for tests that change nothing."""
    made = support.mill_lane(tmp_path_factory.mktemp("web"), step_s=3600.0)
    yield made
    made.db.close()


@pytest.fixture(scope="module")
def client(site: support.Site) -> TestClient:
    """Asks as a browser on this machine does."""
    return site.client()


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[support.Site]:
    """An empty store for a test's own."""
    made = support.empty_site(tmp_path)
    yield made
    made.db.close()


# --- who may ask -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["127.0.0.1:8080", "localhost", "LOCALHOST:1", "[::1]:8080", "127.8.9.1"])
def test_loopback_names_are_answered(client: TestClient, host: str) -> None:
    assert client.get("/healthz", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "drying.example.org",
        "127.0.0.1.example.org",
        "localhost.example.org",
        "192.168.1.20:8080",
        "0.0.0.0:8080",
        "[::]:8080",
        "user@localhost",
        "localhost:8080/x",
        "localhost:notaport",
        "",
    ],
)
def test_a_name_that_was_made_to_point_here_is_refused(client: TestClient, host: str) -> None:
    for path in ("/", "/api/jobs", "/static/style.css", "/healthz"):
        answer = client.get(path, headers={"host": host})
        assert answer.status_code == 421
        assert "Mill Lane" not in answer.text


@pytest.mark.parametrize("path", [*PAGES, "/api/jobs", "/static/style.css", "/nowhere", "/healthz"])
def test_every_answer_carries_the_headers_that_bind_the_browser(client: TestClient, path: str) -> None:
    answer = client.get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value


def test_the_policy_allows_nothing_inline_and_nothing_from_elsewhere(client: TestClient) -> None:
    policy = client.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    for path in PAGES:
        page = client.get(path).text
        assert not re.search(r"<script(?![^>]*\ssrc=)", page)
        assert not re.search(r"""\s(?:style|on\w+)=["']""", page)
        outside = [
            link for link in re.findall(r'(?:src|href|action)="([^"]*)"', page) if not link.startswith(("/", "#"))
        ]
        assert set(outside) <= {""}


SEEN = "/alerts/{}/1/seen"


def rewetting() -> str:
    return support.alerts()[0].fingerprint


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": f"http://{support.OWN_HOST}", "sec-fetch-site": "cross-site"},
    ],
)
def test_a_form_on_another_page_changes_nothing(
    client: TestClient, site: support.Site, headers: dict[str, str]
) -> None:
    answer = client.post(SEEN.format(rewetting()), data={"note": "Mallory"}, headers=headers)
    assert answer.status_code == 403
    with site.db.read() as conn:
        kept = get_alert(conn, rewetting())
    assert kept is not None
    assert kept.status is AlertStatus.OPEN


def test_a_body_that_is_too_long_is_not_read(client: TestClient) -> None:
    answer = client.post(SEEN.format(rewetting()), data={"note": "x" * MAX_BODY_BYTES})
    assert answer.status_code == 413


# --- seen --------------------------------------------------------------------------------------------------------


@pytest.fixture
def with_alerts(fresh: support.Site) -> support.Site:
    """A job with its alerts and nothing else."""
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        for item in support.alerts():
            save_alerts(conn, [item])
    return fresh


def test_an_alert_is_acknowledged_with_name_note_and_time(with_alerts: support.Site) -> None:
    client = with_alerts.client()
    own = {"origin": f"http://{support.OWN_HOST}", "sec-fetch-site": "same-origin"}
    answer = client.post(
        SEEN.format(rewetting()),
        data={"note": "trap <leaks>"},
        headers=own,
        follow_redirects=False,
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/jobs/mill-lane-4#alerts")
    with with_alerts.db.read() as conn:
        kept = get_alert(conn, rewetting())
        history = events(conn, fingerprint=rewetting())
    assert kept is not None
    assert (kept.status, kept.acknowledged_by, kept.acknowledgement_note, kept.acknowledged_at) == (
        AlertStatus.ACKNOWLEDGED,
        "Test owner",
        "trap <leaks>",
        support.NOW,
    )
    assert [event.event for event in history] == ["acknowledged"]
    page = client.get("/jobs/mill-lane-4").text
    assert "Acknowledged by Test owner" in page
    assert "trap &lt;leaks&gt;" in page


def test_an_alert_that_is_not_there_is_not_acknowledged(with_alerts: support.Site) -> None:
    assert with_alerts.client().post(SEEN.format("nothing"), data={"note": "x"}).status_code == 404
    with with_alerts.db.read() as conn:
        assert all(a.acknowledged_at is None for a in open_alerts(conn) if a.kind == "rewetting")


def token_of(site: support.Site, purpose: Purpose, hours: float = 1.0) -> str:
    expires = int((support.NOW + timedelta(hours=hours)).timestamp())
    link = Link(purpose=purpose, person="anna", subject=rewetting(), episode=1, mute_h=24.0, expires=expires)
    with site.db.write() as conn:
        return sign(link, link_secret(conn))


def test_a_link_of_a_message_does_nothing_before_the_click(with_alerts: support.Site) -> None:
    client, token = with_alerts.client(), token_of(with_alerts, Purpose.ACKNOWLEDGE)
    page = client.get(f"/link/acknowledge/{token}", headers={"sec-fetch-site": "cross-site"})  # from a mail
    assert page.status_code == 200
    assert "In the name of anna" in page.text
    assert "Getting wet again" in page.text
    with with_alerts.db.read() as conn:
        kept = get_alert(conn, rewetting())
    assert kept is not None
    assert kept.status is AlertStatus.OPEN
    assert "Taken on" in client.post(f"/link/acknowledge/{token}", data={"note": "on my way"}).text
    with with_alerts.db.read() as conn:
        kept = get_alert(conn, rewetting())
    assert kept is not None
    assert (kept.acknowledged_by, kept.acknowledgement_note) == ("anna", "on my way")


def test_a_link_mutes_for_a_time_and_the_mute_is_listed(with_alerts: support.Site) -> None:
    client, token = with_alerts.client(), token_of(with_alerts, Purpose.MUTE)
    assert "Muted" in client.post(f"/link/mute/{token}", data={"note": "roof is open"}).text
    with with_alerts.db.read() as conn:
        (kept,) = mutes(conn)
    assert kept.end == support.NOW + timedelta(hours=24)
    page = client.get("/alerts").text
    assert "roof is open" in page
    assert page.index('id="mutes"') < page.index("roof is open")


def test_a_link_that_is_over_altered_or_for_something_else_is_refused(with_alerts: support.Site) -> None:
    client, good = with_alerts.client(), token_of(with_alerts, Purpose.ACKNOWLEDGE)
    over = token_of(with_alerts, Purpose.ACKNOWLEDGE, hours=-1.0)
    for path in (f"acknowledge/{over}", f"mute/{good}", f"acknowledge/{good[:-2]}AA", "acknowledge/nonsense"):
        for answer in (client.get(f"/link/{path}"), client.post(f"/link/{path}", data={"note": ""})):
            assert answer.status_code == 403
            assert "Open the alert on the dashboard instead" in answer.text
    with with_alerts.db.read() as conn:
        assert mutes(conn) == []
        assert all(a.acknowledged_at is None for a in open_alerts(conn) if a.kind == "rewetting")


def test_behind_a_proxy_the_public_page_is_an_own_page(with_alerts: support.Site) -> None:
    settings = Settings(alerts=AlertSettings(public_url="https://drying.example.org/"))
    with_alerts.settings = settings
    client = with_alerts.client()
    seen = SEEN.format(rewetting())
    old = {"origin": "https://drying.example.org"}
    assert client.post(seen, data={"note": "R"}, headers={"origin": "https://evil.example"}).status_code == 403
    assert client.post(seen, data={"note": "R"}, headers={"origin": "null"}).status_code == 403
    assert client.post(seen, data={"note": "R"}, headers=old, follow_redirects=False).status_code == 303


# --- tags --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [*PAGES, "/api/jobs", "/api/jobs/mill-lane-4"])
def test_what_has_not_changed_is_answered_with_304(client: TestClient, path: str) -> None:
    first = client.get(path)
    again = client.get(path, headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["etag"] == first.headers["etag"]  # RFC 9110, 15.4.5
    assert client.get(path, headers={"if-none-match": '"other"'}).status_code == 200


def test_time_that_passes_without_news_changes_ages_but_not_the_tag(tmp_path: Path) -> None:
    site = support.mill_lane(tmp_path, step_s=7200.0)
    client = site.client()
    first = client.get("/jobs/mill-lane-4")
    site.clock.at += timedelta(minutes=4)
    later = client.get("/jobs/mill-lane-4", headers={"if-none-match": first.headers["etag"]})
    assert later.status_code == 304
    assert later.headers["monitord-now"] == "2026-11-24T07:24:00Z"
    assert client.get("/jobs/mill-lane-4").text != first.text
    with site.db.write() as conn:
        save_assessment(conn, support.assessment().model_copy(update={"as_of": site.clock.at}))
    news = client.get("/jobs/mill-lane-4", headers={"if-none-match": first.headers["etag"]})
    assert news.status_code == 200
    site.db.close()


@pytest.mark.parametrize("path", PAGES)
def test_no_browser_keeps_a_page_whose_ages_would_grow_old(client: TestClient, path: str) -> None:
    assert client.get(path).headers["cache-control"] == "no-store"


def test_only_ages_are_left_out_of_a_tag() -> None:
    page = b'<body data-now="1"><time class="age" datetime="a" title="b">3 min ago</time> 84.1'
    assert tag_of(page) == tag_of(page.replace(b"3 min", b"4 min").replace(b'now="1"', b'now="2"'))
    assert tag_of(page) != tag_of(page.replace(b"84.1", b"84.2"))
    assert tag_of(page) != tag_of(page.replace(b'datetime="a"', b'datetime="c"'))


# --- pages -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PAGES)
def test_every_page_says_who_is_signed_in_and_carries_the_cautions(client: TestClient, path: str) -> None:
    page = client.get(path).text
    assert "Signed in as Test owner." in page
    assert "asbestos" in page
    assert "Isolate the supply" in page


@pytest.mark.parametrize("path", [path for path in PAGES if path != "/glossary"])
def test_every_page_shows_how_old_its_data_is(client: TestClient, path: str) -> None:
    page = client.get(path).text
    ages = re.findall(r'<time class="age" datetime="2026-11-24T\d\d:\d\d:\d\dZ"[^>]*>([^<]+)</time>', page)
    assert len(ages) >= 2
    assert all(age == "just now" or age.endswith(" ago") for age in ages)


def test_what_needs_someone_comes_before_everything_else_and_the_worst_place_before_the_others(
    client: TestClient,
) -> None:
    page = client.get("/jobs/mill-lane-4").text
    words = ("1 needs you today", "look for a leak", "This week (3)", ">Locations</a></h2>", 'id="charts"')
    order = [page.index(word) for word in words]
    assert order == sorted(order)
    tiles = re.findall(r'<li class="verdict (\w+)">', page)
    assert tiles == ["act", "watch", "watch", "none", "go", "go", "ok"]


def test_every_fold_of_a_job_gives_its_answer_while_it_is_closed(client: TestClient) -> None:
    page = client.get("/jobs/mill-lane-4").text
    closed = dict(re.findall(r'<details class="fold[^"]*"[^>]*><summary><b>([^<]+)</b><span>([^<]+)</span>', page))
    assert closed["Which way vapour moves"] == "Out of the location in 5 of 6 pairs, no clear difference in 1."
    assert closed["Surfaces"] == "Near condensation: Bedroom, window reveal."
    assert closed["Readings"] == "8 of 9 probes reporting; 9 locations."
    assert closed["Charts"].startswith("Utility room, outside wall cavity shown")
    assert closed["Timeline"] == "Newest: alert opened: probe silent, Tue 24 Nov 00:15 GMT."


def test_which_way_vapour_moves_is_told_once_for_each_pair(fresh: support.Site) -> None:
    other = support.against_room(-700, Flow.INTO, "reference", "utility")
    told = support.assessment()
    locations = tuple(
        at.model_copy(update={"comparisons": (*at.comparisons, other)}) if at.location == "living-air" else at
        for at in told.locations
    )
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        save_assessment(conn, told.model_copy(update={"locations": locations}))
    page = fresh.client().get("/jobs/mill-lane-4").text
    pairs = re.findall(r'<th scope="row">([^<]+)</th><td data-name="Against">([^<]+)<', page)
    assert ("Utility room, outside wall cavity", "Living room air") in pairs
    assert ("Living room air", "Utility room, outside wall cavity") not in pairs
    assert len(pairs) == 6


def test_a_sleeve_without_a_value_yet_still_shows_its_goal(fresh: support.Site) -> None:
    told = support.assessment()
    locations = tuple(
        at.model_copy(update={"drying": None, "state": State.SETTLING}) if at.location == "sleeve" else at
        for at in told.locations
    )
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        save_assessment(conn, told.model_copy(update={"locations": locations}))
    assert "Goal 75 % RH." in fresh.client().get("/jobs/mill-lane-4").text


def test_a_chart_runs_on_to_the_days_in_which_the_goal_is_expected(client: TestClient) -> None:
    def drawn(query: str, location: str = "kitchen") -> tuple[int, float, str]:
        page = client.get(f"/jobs/mill-lane-4/locations/{location}{query}").text
        figure = page.partition('id="fig-rh"')[2].partition("</figure>")[0]
        end = re.search(r'data-end="(\d+)"', figure)
        assert end is not None
        return figure.count('class="line expected"'), int(end[1]) / 1000 - support.NOW.timestamp(), figure

    bars, beyond, figure = drawn("?span=all")
    assert bars == 2, "on the wide drawing and on the narrow one"
    assert 12.0 < beyond / 86_400 < 13.0, "to the late end of the interval, and a little more"
    said = "Bar on the goal: expected 1 to 6 Dec, with a chance of 80 %."
    assert figure.replace("\u00a0", " ").count(said) == 3, "under the chart, and in words for those who can't see it"
    assert drawn("?from=2026-11-06T00:00Z&to=2026-11-12T00:00Z")[0] == 0, "it was not made by then"
    assert drawn("?span=1d")[0] == 0, "a week ahead of one day that is shown"
    assert drawn("?span=all", "bed")[0] == 0, "at its goal"


def test_a_job_page_has_a_chart_and_a_table_that_need_no_script(client: TestClient) -> None:
    page = client.get("/jobs/mill-lane-4").text
    assert page.count('<svg class="chart chart-wide"') == 3
    assert "Surface temperature against dew point, Bedroom, window reveal" in page
    assert "Relative humidity at Utility room, outside wall cavity, Wed 4 Nov 06:" in page
    assert 'href="/jobs/mill-lane-4/locations/utility#readings"' in page


def test_a_location_with_a_contact_sensor_shows_its_surface_against_the_dew_point(client: TestClient) -> None:
    page = client.get("/jobs/mill-lane-4/locations/reveal").text
    assert "Surface temperature against dew point" in page
    assert '<path class="near"' in page  # within 3 K of the dew point


def test_a_surface_without_a_sensor_goes_by_its_temperature_factor(fresh: support.Site) -> None:
    locations = [
        item.model_copy(update={"f_rsi": 0.6}) if item.id == "utility" else item for item in support.MILL_LANE.locations
    ]
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"locations": tuple(locations)}))
    for placement in support.MILL_LANE.probes[:3]:
        fresh.put(support.readings_of(placement, step_s=3600.0))
    client = fresh.client()
    assert "by its temperature factor f_Rsi" in client.get("/jobs/mill-lane-4/locations/utility").text
    found = client.get(
        "/api/jobs/mill-lane-4/series?trace=utility:surface_temperature&trace=living-air:temperature"
        "&trace=yard:temperature&maximum=5000"
    ).json()["traces"]
    surface, inside, outside = (np.array(item["mean"]) for item in found)
    at = np.isin(found[1]["time_ms"], found[0]["time_ms"])
    # EN ISO 13788: f_Rsi = (surface - outside) / (inside - outside), of the means of the last four hours
    warm, cold = (np.convolve(air[at], [0.125, 0.25, 0.25, 0.25, 0.125], "valid") for air in (inside, outside))
    time_ms = np.array(found[0]["time_ms"])
    whole = time_ms[4:] - time_ms[:-4] == 4 * 3_600_000  # not across a silence
    assert whole.sum() > 400
    assert surface[4:][whole] == pytest.approx((cold + 0.6 * (warm - cold))[whole], abs=2e-3)


def test_a_name_that_is_markup_stays_text(fresh: support.Site) -> None:
    name = '<img src=x onerror=alert(1)>"&'
    job = JobFile(
        job="x<y>&z?",
        name=name,
        start=support.START,
        locations=(Location(id="a<b>?c%d&e", name=name, kind=LocationKind.CAVITY),),
        probes=(Placement(probe='p"<i>', location_id="a<b>?c%d&e", from_time=support.START),),
    )
    with fresh.db.write() as conn:
        apply_job(conn, job)
        put(conn, "t<b>", b"<script>", support.NOW, "code", "<b>why</b>")
    client = fresh.client()
    for path in ("/", "/jobs/x%3Cy%3E&z%3F", "/jobs/x%3Cy%3E&z%3F/locations/a%3Cb%3E%3Fc%25d&e", "/probes", "/alerts"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert not re.search(r"<(img|b>why|script>|i>)", answer.text)
    link = re.search(r'href="(/jobs/[^"]+/locations/[^"]+)"', client.get("/jobs/x%3Cy%3E&z%3F").text)
    assert link is not None
    assert client.get(link.group(1).replace("&amp;", "&")).status_code == 200


def test_an_empty_store_explains_how_to_begin(fresh: support.Site) -> None:
    client = fresh.client()
    assert "monitord job apply" in client.get("/").text
    assert client.get("/alerts").status_code == client.get("/probes").status_code == 200


def test_a_job_that_has_just_been_applied_has_a_page(fresh: support.Site) -> None:
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"start": support.NOW}))
    page = fresh.client().get("/jobs/mill-lane-4").text
    assert "not assessed yet" in page
    assert "No readings yet." in page
    assert '<svg class="chart' not in page  # what to do next, and no empty axes


def test_a_job_without_locations_says_what_to_add(fresh: support.Site) -> None:
    with fresh.db.write() as conn:
        apply_job(conn, JobFile(job="new", name="New", start=support.NOW))
    page = fresh.client().get("/jobs/new").text
    assert "No locations yet. Add one." in page
    assert "Nothing needs you" not in page


def test_jobs_are_found_by_name_location_or_probe_and_shown_by_need(tmp_path: Path) -> None:
    site = support.mill_lane(tmp_path, step_s=14_400.0)
    client = site.client()
    with site.db.write() as conn:
        apply_job(conn, JobFile(job="quay-9", name="9 Quay Street", start=support.NOW))
    every = client.get("/").text
    assert "1 of 2 jobs needs a person today" in every
    assert "Utility room, outside wall cavity</b>: getting wet again since Sun 22 Nov 06:10 GMT" in every
    assert "9 Quay Street" in every
    for query in ("mill", "MILL lane", "party wall", "k7-08"):
        page = client.get("/", params={"q": query}).text
        assert ("Mill Lane 4" in page, "9 Quay Street" in page) == (True, False)
    assert "9 Quay Street" not in client.get("/?show=today").text
    assert "Mill Lane 4" not in client.get("/?q=quay&show=all").text
    assert "No job fits" in client.get("/?q=nowhere").text
    assert client.get("/?show=everything").status_code == 422
    site.db.close()


def test_a_location_that_was_taken_out_of_the_job_since_its_assessment_is_not_shown(fresh: support.Site) -> None:
    kept = tuple(location for location in support.MILL_LANE.locations if location.id not in ("reveal", "utility"))
    probes = tuple(
        placement for placement in support.MILL_LANE.probes if placement.location_id not in ("reveal", "utility")
    )
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"locations": kept, "probes": probes}))
        save_assessment(conn, support.assessment())
    page = fresh.client().get("/jobs/mill-lane-4")
    assert page.status_code == 200
    assert "Utility room" not in page.text
    assert "window reveal" not in page.text


def test_a_loose_probe_and_a_payload_in_quarantine_are_listed(client: TestClient) -> None:
    page = client.get("/probes").text
    assert "K7-77" in page
    assert "it has no time" in page
    assert "&lt;script&gt;" in page


def test_the_navigation_counts_the_alerts_that_the_page_of_alerts_lists(with_alerts: support.Site) -> None:
    page = with_alerts.client().get("/alerts").text
    in_navigation = re.search(r"Alerts \((\d+)\)", page)
    in_panel = re.search(r">(\d+) open alerts?</span>", page)
    assert in_navigation is not None
    assert in_panel is not None
    assert int(in_navigation[1]) == int(in_panel[1]) > 0


@pytest.mark.parametrize("episode", ["0", "-1", "99999999999999999999999"])
@pytest.mark.parametrize("leaf", ["", "/seen", "/mute"])
def test_an_episode_that_no_database_could_hold_is_refused(client: TestClient, episode: str, leaf: str) -> None:
    address = f"/alerts/abc/{episode}{leaf}"
    asked = client.post(address) if leaf else client.get(address)
    assert asked.status_code == 422


def test_closed_alerts_stay_on_record(client: TestClient) -> None:
    page = client.get("/alerts?job=mill-lane-4").text.replace("\u00a0", " ")
    assert "deficit back for 24 h" in page
    assert re.search(r"1.71 ± 0.08 kPa.*1.71 ± 0.08 kPa", page, re.DOTALL)  # opening, close
    assert client.get("/alerts?job=none").status_code == 404


def test_of_many_open_alerts_the_most_pressing_are_shown_and_all_when_asked_for(tmp_path: Path) -> None:
    site = support.planned_site(tmp_path)
    with site.db.write() as conn:
        opened = [support.NOW - timedelta(minutes=n) for n in range(35)]
        many = [support.alert("rewetting", f"place-{n}", Severity.ACT, at) for n, at in enumerate(opened)]
        save_alerts(conn, many)
    client = site.client()
    page = client.get("/alerts?job=mill-lane-4").text
    assert "35 alerts need a person today" in page
    assert "The 30 most pressing of 35." in page
    shown = re.findall(r'<details class="need [^>]*id="need-([^"]+)-1"', page)
    assert shown == [one.fingerprint for one in many[:30]], "the newest first"
    (link,) = re.findall(r'href="([^"]+)">Show all</a>', page)
    whole = client.get(link.replace("&amp;", "&")).text
    assert len(re.findall(r'<details class="need ', whole)) == 35
    assert "Show all" not in whole
    site.db.close()


def test_a_location_says_why_with_numbers_equations_and_sources(client: TestClient) -> None:
    page = client.get("/jobs/mill-lane-4/locations/kitchen").text.replace("\u00a0", " ")
    why = page[page.index('id="why-fold"') : page.index('id="compared-fold"')]
    assert "Drying: falling, beyond the uncertainty of the rate." in why
    for value, source in (
        ("1.70 ± 0.05 kPa", "ASHRAE Handbook—Fundamentals 2017, ch. 1 eqs. 5, 6 and 12"),
        ("−0.9 ± 0.2 % RH", "METHOD.md"),
        ("1 to 6 Dec", "METHOD.md"),
        ("k = 2", "JCGM 100:2008"),
    ):
        assert value in why
        assert source in why


def test_a_location_keeps_what_earlier_forecasts_said(fresh: support.Site) -> None:
    day = timedelta(days=1)
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        save_assessment(conn, support.assessment())
        for back in (30, 3, 2):
            at = support.NOW - back * day
            made = Forecast(
                made_at=at, low=at + 9 * day, middle=at + 10 * day, high=at + 12 * day, never=False, high_never=False
            )
            add_forecasts(conn, "mill-lane-4", "kitchen", made)
    page = fresh.client().get("/jobs/mill-lane-4/locations/kitchen").text
    told = re.findall(r'<th scope="row">(\d+ Nov)</th><td data-name="Dry">([^<]+)<', page)
    assert told == [("22 Nov", "1 to 4 Dec"), ("21 Nov", "30 Nov to 3 Dec")]


def test_readings_go_back_page_by_page_and_none_is_shown_twice(client: TestClient) -> None:
    path, seen = "/jobs/mill-lane-4/locations/bed?before=2026-11-08T06:00:00Z&span=1d", []
    while path:
        page = client.get(path).text
        table = page[page.index('id="readings"') : page.index('id="stays"')]
        seen += re.findall(r'<th scope="row"><time datetime="([^"]+)"', table)
        older = re.search(r'href="([^"#]+)#readings">Older', table)
        path = older.group(1).replace("&amp;", "&") if older else ""
    assert len(seen) == len(set(seen)) == 4 * 24  # hourly, from 4 Nov 06:00 on
    assert seen == sorted(seen, reverse=True)


# --- JSON and CSV ------------------------------------------------------------------------------------------------


def test_the_api_answers_what_its_description_says(client: TestClient) -> None:
    description = client.get("/api/openapi.json").json()
    paths = {
        "/api/jobs": "/api/jobs",
        "/api/jobs/{job_id}": "/api/jobs/mill-lane-4",
        "/api/jobs/{job_id}/series": "/api/jobs/mill-lane-4/series?trace=utility:vapour_pressure",
        "/api/jobs/{job_id}/locations/{location_id}/readings": "/api/jobs/mill-lane-4/locations/bed/readings",
        "/api/alerts": "/api/alerts?closed=true",
        "/api/probes": "/api/probes",
        "/api/quarantine": "/api/quarantine",
    }
    readable = {path for path, methods in description["paths"].items() if "get" in methods}
    assert set(paths) == {path for path in readable if path.startswith("/api/")}
    for described, path in paths.items():
        answer = client.get(path)
        assert answer.status_code == 200
        content = description["paths"][described]["get"]["responses"]["200"]["content"]["application/json"]
        schema = content["schema"] | {"components": description["components"]}
        Draft202012Validator(schema).validate(answer.json())


def test_a_series_is_what_was_read(client: TestClient) -> None:
    found = client.get("/api/jobs/mill-lane-4/series?trace=bed:relative_humidity&maximum=5000").json()
    (trace,) = found["traces"]
    raw = support.readings_of(support.MILL_LANE.probes[7], step_s=3600.0)
    assert trace["mean"] == [reading.relative_humidity_pct for reading in raw]
    assert trace["time_ms"] == [int(reading.time.timestamp() * 1000) for reading in raw]
    assert (trace["unit"], found["coverage"]) == ("%", 2.0)


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("trace=nowhere:temperature", 404),
        ("trace=bed:colour", 422),
        ("trace=bed", 422),
        ("", 422),
        ("trace=bed:temperature&maximum=0", 422),
        ("trace=bed:temperature&from=yesterday", 422),
    ],
)
def test_a_wrong_question_is_answered_with_what_is_wrong(client: TestClient, query: str, status: int) -> None:
    answer = client.get(f"/api/jobs/mill-lane-4/series?{query}")
    assert answer.status_code == status
    assert isinstance(answer.json()["detail"], str)


def test_readings_come_raw_and_page_by_page(client: TestClient) -> None:
    raw, got, since = support.readings_of(support.MILL_LANE.probes[7], step_s=3600.0), [], "2026-11-01T00:00:00Z"
    while since:
        page = client.get(f"/api/jobs/mill-lane-4/locations/bed/readings?limit=100&since={since}").json()
        got += page["readings"]
        since = page["next_since"]
    assert [(item["time"], item["temperature_c"]) for item in got] == [
        (reading.time.isoformat().replace("+00:00", "Z"), reading.temperature_c) for reading in raw
    ]


def test_the_csv_holds_raw_and_calibrated_values_of_every_reading(fresh: support.Site) -> None:
    check = Calibration(probe="=p1", at=support.START + timedelta(hours=12), relative_humidity_correction_pct=1.5)
    placement = Placement(probe="=p1", location_id="bed", from_time=support.START)
    job = support.MILL_LANE.model_copy(update={"probes": (placement,), "calibrations": (check,)})
    raw = support.readings_of(placement, until=support.START + timedelta(days=1), step_s=3600.0)
    with fresh.db.write() as conn:
        apply_job(conn, job)
    fresh.put(raw)
    answer = fresh.client().get("/jobs/mill-lane-4/locations/bed/readings.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="mill-lane-4-bed.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["time_utc"] for row in rows] == [r.time.isoformat().replace("+00:00", "Z") for r in raw]
    assert [float(row["relative_humidity_raw_pct"]) for row in rows] == [r.relative_humidity_pct for r in raw]
    shift = [float(row["relative_humidity_pct"]) - float(row["relative_humidity_raw_pct"]) for row in rows]
    assert shift == pytest.approx([0.0] * 12 + [1.5] * 12, abs=1e-3)
    assert {row["probe"] for row in rows} == {"'=p1"}  # a spreadsheet must not take it for a formula


def test_a_csv_of_a_time_holds_only_that_time(client: TestClient) -> None:
    answer = client.get(
        "/jobs/mill-lane-4/locations/bed/readings.csv?from=2026-11-10T00:00:00Z&to=2026-11-10T05:59:59Z"
    )
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["time_utc"][11:16] for row in rows] == ["00:00", "01:00", "02:00", "03:00", "04:00", "05:00"]


# --- health and errors -------------------------------------------------------------------------------------------


def test_metrics_are_read_by_prometheus_own_parser_and_agree_with_the_page(client: TestClient) -> None:
    families = {family.name: family for family in text_string_to_metric_families(client.get("/metrics").text)}
    probes = {s.labels["reporting"]: s.value for s in families["monitord_job_probes"].samples}
    assert probes == {"yes": 8, "no": 1}
    assert "8 of 9 probes" in client.get("/jobs/mill-lane-4").text
    assert sum(s.value for s in families["monitord_alerts_open"].samples) == 3
    last = families["monitord_job_last_reading_timestamp_seconds"].samples[0]
    assert datetime.fromtimestamp(last.value, UTC) == support.assessment().last_reading_at


def test_what_is_answered_what_is_documented_and_what_the_example_rules_ask_are_the_same(fresh: support.Site) -> None:
    with fresh.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        save_assessment(conn, support.assessment())
        save_alerts(conn, support.alerts())
        mirror.switch_on(conn, "there")
        put(conn, "a/b", b"?", support.NOW, "not_json", "no JSON")
        leases.announce(conn, "w1", ["assess", "notify"], 0, 2 * leases.database_ms(conn))
    fresh.put(support.readings_of(support.MILL_LANE.probes[0], support.START + timedelta(hours=2), 3600.0))
    told = fresh.client(memory=lambda: (3, 1)).get("/metrics").text
    assert 'monitord_assess_memory_jobs{kept="no"} 1.0' in told
    labels = {
        family.name: {name for sample in family.samples for name in sample.labels}
        for family in text_string_to_metric_families(told)
    }
    guide = (ROOT / "monitord/web/METRICS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \| ([^|]*)\|", guide, re.MULTILINE)
    assert {name: set(re.findall(r"`(\w+)`", re.sub(r"\([^)]*\)", "", named))) for name, named in rows} == labels
    rules = yaml.safe_load((ROOT / "deploy/prometheus-alerts.yml").read_text(encoding="utf-8"))
    alerts = [rule for group in rules["groups"] for rule in group["rules"]]
    assert len(alerts) >= 5
    for rule in alerts:
        assert rule["labels"]["severity"] in {"critical", "warning"}
        assert set(rule["annotations"]) == {"summary", "description"}
        asked = set(re.findall(r"monitord_\w+", rule["expr"]))
        assert asked
        assert asked <= labels.keys(), rule["alert"]
        known = set().union(*(labels[name] for name in asked))
        of_labels = re.findall(r"(\w+)=\"", rule["expr"]) + re.findall(r"\$labels\.(\w+)", str(rule["annotations"]))
        assert set(of_labels) <= known, rule["alert"]


def test_readiness_tells_of_a_database_that_is_gone(tmp_path: Path) -> None:
    site = support.empty_site(tmp_path)
    client = site.client()
    assert client.get("/readyz").text == "ready\n"
    with site.db.write() as conn:
        conn.exec_driver_sql("ALTER TABLE mark RENAME TO mark_gone")
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert "mark" in answer.text
    site.db.close()


def test_an_error_is_a_page_for_people_and_json_for_programs(fresh: support.Site) -> None:
    client = fresh.client()
    assert "There is no job" in client.get("/jobs/none").text
    assert client.get("/api/jobs/none").json() == {"detail": "There is no job 'none'."}
    with fresh.db.write() as conn:
        conn.exec_driver_sql("ALTER TABLE heard RENAME TO heard_gone")
    broken = client.get("/")
    assert broken.status_code == 503
    assert "heard" in broken.text
    assert broken.headers["content-security-policy"] == HEADERS["content-security-policy"]


def test_what_nobody_foresaw_is_a_page_that_gives_nothing_away(
    fresh: support.Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr("monitord.web.routes.pages.load_jobs", fail)
    answer = fresh.client().get("/")
    assert answer.status_code == 500
    assert "secret detail" not in answer.text
    assert answer.headers["content-security-policy"] == HEADERS["content-security-policy"]


def test_static_files_are_kept_for_long_under_the_name_of_their_content(client: TestClient) -> None:
    link = re.search(r'href="(/static/style\.css\?v=\w+)"', client.get("/").text)
    assert link is not None
    assert "immutable" in client.get(link.group(1)).headers["cache-control"]
    assert client.get("/static/style.css").headers["cache-control"] == "no-cache"
    assert client.get("/static/../app.py").status_code == 404


def test_the_application_needs_no_settings(fresh: support.Site) -> None:
    app = create_app(fresh.db, fresh.clock)
    with TestClient(app, base_url=f"http://{support.OWN_HOST}") as client:
        assert client.get("/").status_code == 200
    assert Settings().web.host == "127.0.0.1"
