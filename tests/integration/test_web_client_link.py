"""The client's page: plain words only, counted, over after its time and once it is revoked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import web_support as support
from starlette.testclient import TestClient

from monitord.access import client_links
from monitord.model.jobs import Goal, GoalMetric
from monitord.store.access import audit, tokens
from monitord.store.assessments import save_assessment
from monitord.store.jobs import apply_job


@pytest.fixture
def site(tmp_path: Path) -> Iterator[support.Site]:
    made = support.empty_site(tmp_path)
    with made.db.write() as conn:
        apply_job(conn, support.MILL_LANE)
        save_assessment(conn, support.assessment())
    yield made
    made.db.close()


def share(site: support.Site, client: TestClient | None = None) -> str:
    owner = client or site.client()
    data = {"given_to": "H. Lowe", "days": "30"}
    assert owner.post("/jobs/mill-lane-4/share", data=data, follow_redirects=False).status_code == 303
    found = re.search(r"<code>(/c/[^<]+)</code>", owner.get("/jobs/mill-lane-4/share").text)
    assert found is not None
    return found[1]


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1]).split())


def test_it_is_in_plain_words(site: support.Site) -> None:
    page = site.client(None).get(share(site)).text
    said = words(page)
    assert "Mill Lane 4: how the drying goes" in said
    assert "Not dry yet." in said
    assert "One part is getting wetter again." in said
    assert "Bedroom, party wall cavity dry since 19 November" in said
    # the forecast of the kitchen is 1 to 6 December, the ends of its 80 % interval
    assert re.search(r"Kitchen, outside wall cavity .* probably dry between 1 December and 6 December", said)
    assert "There is no date for all of it yet." in said, "a part without a date leaves the whole without one"
    assert "Living room air" not in said, "what has no goal is no part of the home that dries"
    for word in ("RH", "%", "Pa", "dew point", "g/kg", "K7-", "probe", "°C"):
        assert word not in page.split("<main")[1], word


def test_it_says_dry_only_when_every_part_with_a_goal_is_at_it(site: support.Site) -> None:
    old = support.assessment()
    dry = [
        spot.model_copy(update={"state": support.State.AT_GOAL}) if spot.location != "hall" else spot
        for spot in old.locations
    ]
    with site.db.write() as conn:
        save_assessment(conn, old.model_copy(update={"locations": tuple(dry)}))
    link = share(site)
    assert "Not dry yet." in words(site.client(None).get(link).text)
    all_dry = tuple(spot.model_copy(update={"state": support.State.AT_GOAL}) for spot in old.locations)
    with site.db.write() as conn:
        save_assessment(conn, old.model_copy(update={"locations": all_dry}))
    assert "Dry, by what we measure." in words(site.client(None).get(link).text)
    more = support.Location(
        id="cellar", name="Cellar", kind="cavity", goal=Goal(metric=GoalMetric.RH, limit=70), reference="living-air"
    )
    with site.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"locations": (*support.MILL_LANE.locations, more)}))
    assert "Cellar not known at the moment" in words(site.client(None).get(link).text)
    assert "Not dry yet." in words(site.client(None).get(link).text), "what is not measured yet is not dry"


def test_it_is_counted_and_over_after_its_time(site: support.Site) -> None:
    link, client = share(site), site.client(None)
    for _ in range(3):
        assert client.get(link).status_code == 200
    assert "opened 3 times" in words(site.client().get("/jobs/mill-lane-4/share").text)
    site.clock.at += timedelta(days=30) - timedelta(seconds=1)
    assert client.get(link).status_code == 200
    site.clock.at += timedelta(seconds=1)
    over = client.get(link)
    assert over.status_code == 410
    assert "This link has ended" in over.text
    assert "Mill Lane" not in over.text
    with site.db.read() as conn:
        assert tokens.client_links(conn, "mill-lane-4")[0].opened == 4, "what is over is not counted"


def test_it_is_revoked_at_once_and_that_is_on_record(site: support.Site) -> None:
    owner = site.client()
    link, client = share(site, owner), site.client(None)
    with site.db.read() as conn:
        (row,) = tokens.client_links(conn, "mill-lane-4")
    wrong_job = owner.post(f"/jobs/elsewhere/share/{row.id}/end")
    assert wrong_job.status_code == 404
    assert client.get(link).status_code == 200
    assert owner.post(f"/jobs/mill-lane-4/share/{row.id}/end", follow_redirects=False).status_code == 303
    assert client.get(link).status_code == 410
    with site.db.read() as conn:
        assert [e.what for e in audit.entries(conn)] == ["revoked a client's link", "shared a job with a client"]


def test_a_link_that_was_altered_or_signed_by_another_is_none(site: support.Site) -> None:
    link, client = share(site), site.client(None)
    with site.db.read() as conn:
        (row,) = tokens.client_links(conn, "mill-lane-4")
    forged = client_links.sign(row.id, b"another secret")
    altered = f"{link[:-10]}{'A' if link[-10] != 'A' else 'B'}{link[-9:]}"
    for wrong in (altered, f"/c/{forged}", f"/c/{row.id}", "/c/%ff"):
        assert client.get(wrong).status_code == 404, wrong
