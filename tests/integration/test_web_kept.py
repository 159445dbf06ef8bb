"""What pages keep: charts are drawn once for all who look, and anew when a reading lands that they show (counted, not
timed); what is kept is never of one person."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from shutil import copytree
from unittest.mock import Mock

import pytest
import web_support as support
from starlette.testclient import TestClient

from monitord.charts.decimate import buckets
from monitord.model.access import Role
from monitord.model.readings import Reading
from monitord.store.assessments import save_assessment
from monitord.store.series.rollups import renew_all
from monitord.web.charts import estimate_series, figure_parts, series
from monitord.web.middleware.gate import form_token
from monitord.web.page_context import environment

HALL, UTILITY = "/jobs/mill-lane-4/locations/hall", "/jobs/mill-lane-4/locations/utility"


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Mill Lane 4 with a reading an hour, rolled up, and assessed; a folder to be copied."""
    folder = tmp_path_factory.mktemp("stored")
    made = support.planned_site(folder)
    for placement in support.MILL_LANE.probes:
        made.put(support.readings_of(placement, step_s=3600.0))
    renew_all(made.db, int(support.NOW.timestamp()) * 1000)
    assess(made, support.NOW)
    made.db.close()
    return folder


@pytest.fixture
def site(stored: Path, tmp_path: Path) -> Iterator[support.Site]:
    """A copy of it."""
    made = support.empty_site(Path(copytree(stored, tmp_path, dirs_exist_ok=True)))
    yield made
    made.db.close()


def assess(site: support.Site, as_of: datetime) -> None:
    """An assessment is there, as of a time."""
    with site.db.write() as conn:
        save_assessment(conn, support.assessment().model_copy(update={"as_of": as_of}))


def land(site: support.Site, location: str, at: datetime, rh: float = 61.5, received: datetime | None = None) -> None:
    """A reading of the probe at a location lands."""
    probe = next(p.probe for p in support.MILL_LANE.probes if p.location_id == location and p.covers(at))
    came = received or at + timedelta(seconds=5)
    site.put([Reading(probe=probe, time=at, temperature_c=18.0, relative_humidity_pct=rh, received_at=came)])


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> Mock:
    """What draws a chart, counted."""
    counted = Mock(wraps=figure_parts.draw)
    monkeypatch.setattr(figure_parts, "draw", counted)
    return counted


def count(drawn: Mock, client: TestClient, path: str) -> int:
    """How many charts are drawn for one answer."""
    drawn.reset_mock()
    assert "chart-wide" in client.get(path).text
    return drawn.call_count


def test_charts_are_drawn_again_when_a_reading_lands_that_they_show(site: support.Site, drawn: Mock) -> None:
    client = site.client()
    first = count(drawn, client, HALL)
    assert first >= 4
    assert count(drawn, client, HALL) == 0
    assert count(drawn, client, "/jobs/mill-lane-4?loc=hall") == 2, "the job's page adds a surface in both sizes"
    land(site, "kitchen", support.NOW - timedelta(minutes=3))
    assert count(drawn, client, HALL) == 0, "it is not on them"
    land(site, "hall", support.NOW - timedelta(minutes=2))
    assert 0 < count(drawn, client, HALL) < first, "what is estimated goes by complete hours"
    land(site, "hall", support.NOW - timedelta(days=9, minutes=7), rh=99.0, received=support.NOW)
    assert count(drawn, client, HALL) > 0, "it came late, and its time is shown"
    assert "highest 99.0" in client.get(HALL).text
    land(site, "living-air", support.NOW - timedelta(minutes=2))
    assert count(drawn, client, HALL) > 0, "the air of its room is on them"


def test_a_peak_in_an_hour_shows_where_a_line_goes_by_hours(
    site: support.Site, drawn: Mock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(series, "_MAX_READINGS", 100)
    for minute, rh in ((10, 99.0), (20, 61.0), (30, 61.0)):
        land(site, "hall", support.NOW.replace(minute=minute) - timedelta(days=19), rh, received=support.NOW)
    page = site.client().get(HALL).text.replace("\u00a0", " ")
    assert "highest 99.0 % on Thu 5 Nov 07:30" in page
    assert page.count("Drawn by the hour: median, lowest and highest of each.") == 2, "humidity and temperature"
    assert page.count("a peak shorter than an hour may not show") == 2, "vapour pressure and water in the air"
    humidity = next(call.args[0] for call in drawn.call_args_list if call.args[0].title == "Relative humidity")
    found = buckets(humidity.traces[0], humidity.window.start_s, humidity.window.end_s, 350)
    assert found.high.max() == 99.0
    assert found.mean.max() < 96.5, "the mean is that of the medians"
    traced = site.client().get("/api/jobs/mill-lane-4/series?trace=hall:relative_humidity").json()["traces"][0]
    assert max(traced["high"]) == 99.0


def test_a_span_and_a_reader_s_units_have_drawings_of_their_own(site: support.Site, drawn: Mock) -> None:
    client = site.client()
    assert count(drawn, client, HALL) > 0
    assert count(drawn, client, HALL + "?span=1d") > 0
    assert count(drawn, client, HALL) == count(drawn, client, HALL + "?span=1d") == 0


def test_people_of_different_roles_share_drawings_and_nothing_else(site: support.Site, drawn: Mock) -> None:
    app = site.client()
    alike = []
    for role in Role:
        secret = site.sign_in(role)
        app.cookies.set("monitord", secret)
        page = app.get(HALL).text
        alike.append(page.split('<div class="drawing">')[1].split("</div>")[0])
        assert f"Signed in as Test {role.value}." in page
    assert drawn.call_count == count(drawn, site.client(), HALL), "as often for all of them as for one"
    assert len(set(alike)) == 1


def test_hours_are_computed_again_when_one_is_over_or_a_late_reading_came(
    site: support.Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted = Mock(wraps=estimate_series.compute_hourly_results)
    monkeypatch.setattr(estimate_series, "compute_hourly_results", counted)
    client = site.client()

    def times() -> int:
        counted.reset_mock()
        client.get(HALL)
        return counted.call_count

    assert times() == 1
    assert times() == 0
    assess(site, support.NOW + timedelta(minutes=1))
    assert times() == 0, "as of a minute later, of the same complete hours"
    land(site, "hall", support.NOW - timedelta(days=2, minutes=7), received=support.NOW + timedelta(minutes=2))
    assert times() == 0, "the assessment has not seen it"
    assess(site, support.NOW + timedelta(minutes=3))
    assert times() == 1
    renew_all(site.db, int(support.NOW.timestamp()) * 1000)
    assess(site, support.NOW + timedelta(minutes=4))
    assert times() == 1, "whether anything came between the two was not known before the hour was rolled up"
    assess(site, support.NOW + timedelta(minutes=5))
    assert times() == 0
    assess(site, support.NOW + timedelta(hours=1))
    assert times() == 1


PAGES = ("/", "/alerts", "/jobs/mill-lane-4", UTILITY)


def test_no_page_depends_on_who_asked_before(tmp_path: Path) -> None:
    """Two programs over one store are asked by the same people, in opposite orders."""
    site = support.mill_lane(tmp_path, step_s=3600.0)
    people = [(role, site.sign_in(role)) for role in Role]
    people.append((Role.VIEWER, site.sign_in(Role.VIEWER, frozenset({"mill-lane-4"}))))
    seen: list[dict[tuple[str, str], str]] = []
    for order in (people, people[::-1]):
        client = site.client(None)
        seen.append({})
        for _, secret in (*order, order[0]):
            client.cookies.set("monitord", secret)
            for path in PAGES:
                page = client.get(path)
                assert page.status_code == 200
                assert seen[-1].setdefault((secret, path), page.text) == page.text, "kept or made, it is the same"
    assert seen[0] == seen[1]
    for role, secret in people:
        page = seen[0][secret, "/jobs/mill-lane-4"]
        assert ("form_token" in page) == ("Pause alerts" in page) == (role is not Role.VIEWER)
        others = [form_token(other) for _, other in people if other != secret]
        assert not any(word in page for word in others)
    site.db.close()


def test_a_part_that_is_kept_for_all_may_not_ask_who_asks() -> None:
    templates = environment()
    with pytest.raises(RuntimeError, match="may not depend on who asks"):
        templates.from_string("{% kept 'a' %}{{ visitor().name }}{% endkept %}").render()
    with pytest.raises(RuntimeError, match="may not depend on who asks"):
        templates.from_string("{% kept 'a' %}{{ form_token() }}{% endkept %}").render()


def test_a_part_is_rendered_again_when_what_it_names_is_another() -> None:
    part = environment().from_string("{% kept key, words %}{{ words }}, {{ more }}{% endkept %}")
    shown = [part.render(key=key, words=words, more=n) for n, (key, words) in enumerate(["a<", "a<", "b<", "a<", "a>"])]
    assert shown == ["&lt;, 0", "&lt;, 0", "&lt;, 2", "&lt;, 0", "&gt;, 4"]
