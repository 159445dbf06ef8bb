"""The plan of a job by form: its picture, points set by a tap or typed, and what goes with it."""

from __future__ import annotations

import io
import re

import web_support as support
from PIL import Image
from starlette.testclient import TestClient

from monitord.model.access import Role
from monitord.model.job_files.files import parse_job
from monitord.model.site.plan import PlanPoint
from monitord.store import jobs, notes
from monitord.store.access import audit

JOB = f"/jobs/{support.MILL_LANE.job}"
PLAN = f"{JOB}/plan"


def chosen(client: TestClient, colour: str = "white") -> int:
    held = io.BytesIO()
    Image.new("RGB", (800, 600), colour).save(held, "PNG")
    files = {"photo": ("plan.png", held.getvalue(), "image/png")}
    return client.post(PLAN, files=files, follow_redirects=False).status_code


def points(site: support.Site) -> tuple[PlanPoint, ...]:
    plan = site.job().plan
    assert plan is not None
    return plan.points


def test_a_picture_is_chosen_and_each_location_gets_its_point_by_a_tap(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    assert "Add a plan" in client.get(JOB).text
    assert chosen(client) == 303
    page = client.get(PLAN).text
    assert "0 of 9 locations on it" in page
    assert "Where is Living room air?" in page
    assert 'type="image" name="tap320"' in page
    # a browser sends where the button of type `image` was pressed, in px from its upper left corner (HTML, 4.10.5.1.19)
    tapped = {"height320": "240", "height640": "480", "tap320.x": "160", "tap320.y": "24"}
    for _ in range(2):
        assert (
            client.post(f"{PLAN}/point", data={"location": "hall"} | tapped, follow_redirects=False).status_code == 303
        )
    typed = {"location": "bath", "across": "99,5", "down": "0"}
    assert client.post(f"{PLAN}/point", data=typed, follow_redirects=False).status_code == 303
    assert points(site) == (PlanPoint(location="hall", x=500, y=100), PlanPoint(location="bath", x=995, y=0))
    assert parse_job(client.get(f"{JOB}/job.toml").text, "toml").plan == site.job().plan
    fold = client.get(JOB).text.partition('id="plan-fold"')[2].partition("</details>")[0]
    assert "2 of 9 locations on it." in fold
    assert f'<a href="{JOB}/locations/hall" aria-label="Hall, timber floor void: ' in fold
    with site.db.read() as conn:
        old = support.MILL_LANE.model_copy(update={"locations": support.LOCATIONS[:4], "probes": ()})
        applied = jobs.with_site_records(conn, old).plan
    assert applied is not None, "a file written before does not take it away"
    assert [point.location for point in applied.points] == ["hall"], "but for what it no longer has"
    viewer = site.client(Role.VIEWER).get(PLAN).text
    assert "2 of 9 locations on it" in viewer
    assert "<form" not in viewer
    client.post(f"{PLAN}/point/remove", data={"location": "hall"})
    assert [point.location for point in points(site)] == ["bath"]
    assert chosen(client, "red") == 303
    assert points(site) == (), "they were points of another picture"
    client.post(f"{PLAN}/remove")
    assert site.job().plan is None
    with site.db.read() as conn:
        said = [entry.what for entry in audit.entries(conn, job=support.MILL_LANE.job)][::-1]
    set_, off = "set a point on the plan", "took a point off the plan"
    assert said == ["chose a plan", set_, set_, off, "chose a plan", "took the plan away"]


NO_POINTS = (
    ({"location": "attic", "across": "1", "down": "1"}, "Choose a location of this job"),
    ({"location": "hall"}, "Tap on the picture"),
    ({"location": "hall", "height320": "240", "tap320.x": "0", "tap320.y": "0"}, "Tap on the picture"),
    ({"location": "hall", "across": "101", "down": "1"}, "is not between 0 and 100"),
    ({"location": "hall", "across": "left", "down": "1"}, "is not a number"),
)


def test_a_point_that_is_none_is_refused(site: support.Site) -> None:
    client = site.client()
    assert client.post(f"{PLAN}/point", data=NO_POINTS[0][0]).status_code == 404, "there is no plan yet"
    chosen(client)
    for typed, why in NO_POINTS:
        answer = client.post(f"{PLAN}/point", data=typed)
        assert (answer.status_code, why in answer.text) == (422, True), (typed, why)
    assert points(site) == ()


def test_the_picture_stays_while_it_is_the_plan_and_no_other_file_becomes_one(site: support.Site) -> None:
    client = site.client()
    refused = client.post(PLAN, files={"photo": ("plan.svg", b"<svg onload='x'/>", "image/svg+xml")})
    assert refused.status_code == 422
    assert "no JPEG, PNG or WebP" in refused.text
    assert client.post(PLAN, files={"digest": (None, "0" * 64)}).status_code == 422
    chosen(client)
    with site.db.read() as conn:
        (note,) = notes.notes_of(conn, support.MILL_LANE.job)
    kept = client.post(f"{JOB}/notes/{note.id}/delete")
    assert kept.status_code == 409
    assert "choose another for the plan first" in kept.text
    assert re.search(f"{JOB}/photos/[0-9a-f]{{64}}", client.get(JOB).text)
    elsewhere = site.job().model_copy(update={"job": "quay-9", "probes": ()})
    with site.db.write() as conn:
        jobs.apply_job(conn, elsewhere)
    assert "not among this job’s photos" in client.get("/jobs/quay-9/plan").text
    assert client.get("/jobs/quay-9").status_code == 200
    client.post(f"{JOB}/close", data={"sure": "1"})
    assert chosen(client) == 409
