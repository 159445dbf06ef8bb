"""On site in a real browser: placing a probe with a phone, with and without scripts, with and without signal."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import web_support as support
from browsers import PATIENCE_MS
from PIL import Image
from playwright.sync_api import Browser, Page

from monitord.model.job_files.files import parse_job
from monitord.model.jobs import JobFile, LocationKind
from monitord.store.access import audit
from monitord.store.jobs import apply_job, get_job

PLACE = "/jobs/mill-lane-4/place"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[support.Site]:
    """Mill Lane 4, and a probe that is heard and not placed."""
    made = support.planned_site(tmp_path)
    made.put(
        support.readings_of(
            support.Placement(probe="K7-77", location_id="nowhere", from_time=support.NOW - timedelta(hours=1))
        )
    )
    yield made
    made.db.close()


@pytest.fixture
def opened(browser: Browser, site: support.Site) -> Iterator[Callable[..., Page]]:
    """Opens a page of the served site, signed in; complaints of the browser fail the test."""
    complaints: list[str] = []
    with site.served() as url:
        contexts = []

        def open_(path: str, *, width: int = 390, scripts: bool = True) -> Page:
            context = browser.new_context(
                storage_state=support.SIGNED_IN,
                viewport={"width": width, "height": 800},
                java_script_enabled=scripts,
                reduced_motion="reduce",
                base_url=url,
            )
            context.set_default_timeout(PATIENCE_MS)
            contexts.append(context)
            page = context.new_page()
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.goto(path)
            return page

        yield open_
        for context in contexts:
            context.close()
    assert complaints == []


def until(page: Page, holds: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while not holds():
        assert time.monotonic() < deadline, f"it never happened: {what}"
        page.wait_for_timeout(30)


def fill_in_a_sleeve(page: Page) -> None:
    page.locator("#place-new").check()
    page.get_by_label("Name, as you would say it").fill("Kitchen slab by the hatch")
    page.locator("#kind-slab_sleeve").check()
    page.get_by_label("Slab, mm").fill("100")
    page.get_by_label("Depth, mm").fill("40")
    page.locator("#sides-1").check()
    page.get_by_label("Goal, %").fill("75")


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_scanned_label_leads_to_a_sleeve_that_is_placed(
    site: support.Site, opened: Callable[..., Page], scripts: bool
) -> None:
    page = opened("/place?probe=K7-77", scripts=scripts)
    assert page.url.endswith("/jobs/mill-lane-4/place?probe=K7-77"), "only one job runs: it is not asked for"
    assert page.locator("input[name=probe][value=K7-77]").is_checked()
    fill_in_a_sleeve(page)
    page.get_by_role("button", name="Place it").click()
    page.get_by_text("Tick both cautions before a hole is drilled").first.wait_for()
    assert site.job() == support.MILL_LANE, "nothing was saved"
    assert page.get_by_label("Name, as you would say it").input_value() == "Kitchen slab by the hatch"
    page.get_by_label("No live cable or pipe here").check()
    page.get_by_label("Asbestos ruled out").check()
    page.get_by_role("button", name="Place it").click()
    page.wait_for_url("**/place?done=K7-77")
    said = page.locator(".band.ok").inner_text()
    assert "K7-77 is at Kitchen slab by the hatch" in said
    assert "40 mm deep, right for 100 mm drying from one face: 40 mm (ASTM F2170)" in said.replace("\u00a0", " ")
    made = site.job().location("kitchen-slab-by-the-hatch")
    assert (made.kind, made.depth_mm, made.slab_thickness_mm, made.drying_sides) == (
        LocationKind.SLAB_SLEEVE,
        40.0,
        100.0,
        1,
    )
    assert made.reference == "living-air", "the job's only room is the one it is compared with"
    assert made.goal is not None
    assert (made.goal.metric.value, made.goal.limit) == ("equilibrium_rh_pct", 75.0)
    assert made.sealed_at == support.NOW
    with site.db.read() as conn:
        (entry,) = audit.entries(conn, job="mill-lane-4")
    assert (entry.who, entry.what) == ("Test owner", "placed a probe")


def test_without_signal_the_form_keeps_what_was_typed_and_is_sent_later(
    site: support.Site, opened: Callable[..., Page]
) -> None:
    page = opened(PLACE + "?probe=K7-77")
    page.get_by_label("Hall, timber floor void").check()
    page.get_by_label("Swap").check()
    page.context.set_offline(True)
    page.get_by_role("button", name="Place it").click()
    page.get_by_text("Not saved yet: no signal").wait_for()
    assert site.job() == support.MILL_LANE
    page.goto("about:blank")
    page.context.set_offline(False)
    page.goto(PLACE)  # closed and opened again: it is still there, and is sent when the signal is back
    page.get_by_text("Not saved yet: no signal").wait_for()
    page.evaluate("dispatchEvent(new Event('online'))")
    page.wait_for_url("**/place?done=K7-77")
    own = [(p.probe, p.to_time is None) for p in site.job().placements_at("hall")]
    assert own == [("K7-04", False), ("K7-77", True)]
    page.goto(PLACE)
    assert page.locator("#kept").is_hidden(), "what is saved is kept no longer"


def test_a_probe_is_moved_and_taken_away_by_keyboard_alone(site: support.Site, opened: Callable[..., Page]) -> None:
    page = opened(PLACE + "?probe=K7-07", width=1280)
    page.locator("#place-new").focus()
    radios = page.locator("input[name=place]")
    wanted = page.get_by_label("Bathroom, floor void")
    for _ in range(radios.count()):
        if wanted.is_checked():
            break
        page.keyboard.press("ArrowDown")
    assert wanted.is_checked()
    page.get_by_role("button", name="Place it").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/place?done=K7-07")
    moved = [(p.location_id, p.to_time is None) for p in site.job().probes if p.probe == "K7-07"]
    assert moved == [("kitchen", False), ("bath", True)]
    page.get_by_role("button", name="Remove K7-07").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/place#standing")
    assert all(p.to_time is not None for p in site.job().probes if p.probe == "K7-07") or (
        [p.location_id for p in site.job().probes if p.probe == "K7-07"] == ["kitchen"]
    )


def test_a_probe_of_another_job_is_moved_only_when_that_is_said(
    site: support.Site, opened: Callable[..., Page]
) -> None:
    other = JobFile(
        job="weir-walk-18",
        name="18 Weir Walk",
        start=support.START,
        locations=support.LOCATIONS[:1],
        probes=(support.Placement(probe="W1", location_id="living-air", from_time=support.START),),
    )
    with site.db.write() as conn:
        apply_job(conn, other)
    page = opened(PLACE + "?probe=W1")
    page.get_by_label("Hall, timber floor void").check()
    page.get_by_role("button", name="Place it").click()
    page.get_by_text("W1 is placed in 18 Weir Walk, at Living room air. Nothing was changed").first.wait_for()
    page.get_by_label("Move it here").check()
    page.get_by_role("button", name="Place it").click()
    page.wait_for_url("**/place?done=W1")
    with site.db.read() as conn:
        left = get_job(conn, "weir-walk-18")
    assert left is not None
    assert [p.to_time for p in left.probes] == [support.NOW]


def test_a_round_of_spot_readings_is_typed_on_one_screen(site: support.Site, opened: Callable[..., Page]) -> None:
    for scripts in (True, False):
        page = opened("/jobs/mill-lane-4/round", scripts=scripts)
        page.get_by_label("Instrument").fill("pin meter no. 3")
        page.get_by_label("Hall, timber floor void").fill("24,6")
        page.get_by_label("Bathroom, floor void").fill("231")
        page.get_by_role("button", name="Save the round").click()
        page.get_by_text("231 % MC is outside 5 to 100 % MC. Did you mean 23.1? Not saved.").wait_for()
        assert site.job().spots == (), "nothing of a round is saved while one value is refused"
        assert page.get_by_label("Hall, timber floor void").input_value() == "24,6"
    page.get_by_label("Bathroom, floor void").fill("23.1")
    page.get_by_role("button", name="Save the round").click()
    page.wait_for_url("**/round?method=pins&saved=*")
    said = page.locator(".band.ok").inner_text()
    assert "Saved: 2 readings" in said
    assert "Hall, timber floor void: 24.6 % MC" in said
    kept = {s.location_id: (s.value, s.instrument, s.kind.value, s.by) for s in site.job().spots}
    hall = (24.6, "pin meter no. 3", "wood_moisture_pct", "Test owner")
    assert kept == {"hall": hall, "bath": (23.1, *hall[1:])}
    site.clock.at += timedelta(days=3)
    page = opened("/jobs/mill-lane-4/round")
    assert "24.6 % MC" in page.locator("label", has_text="Hall, timber").inner_text(), "the last value stands beside"
    assert page.get_by_label("Instrument").input_value() == "pin meter no. 3"
    page.get_by_label("Hall, timber floor void").fill("30.9")
    page.context.set_offline(True)
    page.get_by_role("button", name="Save the round").click()
    page.get_by_text("Not saved yet: no signal").wait_for()
    page.context.set_offline(False)  # there is signal again: it is sent by itself
    page.wait_for_url("**/round?method=pins&saved=*")
    assert "up 6.3 since the last time" in page.locator(".band.ok").inner_text()
    assert len(site.job().spots) == 3


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_note_with_a_photo_is_written_and_seen(
    site: support.Site, opened: Callable[..., Page], scripts: bool
) -> None:
    page = opened("/jobs/mill-lane-4/notes?location=hall", scripts=scripts)
    page.get_by_label("What you saw").fill("Stain at the skirting")
    held = io.BytesIO()
    Image.new("RGB", (1200, 900), "navy").save(held, "JPEG")
    page.get_by_label("Photos, up to 6").set_input_files(
        [{"name": "stain.svg", "mimeType": "image/jpeg", "buffer": b"<svg/>"}]
    )
    page.get_by_role("button", name="Save the note").click()
    page.get_by_text("“stain.svg” was not taken. It is no JPEG, PNG or WebP picture.").first.wait_for()
    assert page.get_by_label("What you saw").input_value() == "Stain at the skirting"
    page.get_by_label("Photos, up to 6").set_input_files(
        [{"name": "stain.jpg", "mimeType": "image/jpeg", "buffer": held.getvalue()}]
    )
    if scripts:
        page.context.set_offline(True)
        page.get_by_role("button", name="Save the note").click()
        page.get_by_text("Leave this page open").wait_for()
        page.context.set_offline(False)
    else:
        page.get_by_role("button", name="Save the note").click()
    page.wait_for_url("**/notes?saved=1")
    assert page.locator(".notes li").count() == 1
    assert "Hall, timber floor void" in page.locator(".notes li").inner_text()
    shown = page.locator(".notes img")
    until(page, lambda: bool(shown.evaluate("(image) => image.naturalWidth")), "the photo is shown")
    assert shown.evaluate("(image) => [image.naturalWidth, image.naturalHeight]") == [320, 240]


def test_a_dehumidifier_is_set_up_emptied_and_taken_out(site: support.Site, opened: Callable[..., Page]) -> None:
    page = opened("/jobs/mill-lane-4/equipment")
    page.get_by_role("link", name="Set up a machine").click()
    page.get_by_label("Living room air").check()
    page.get_by_label("rated for, L a day").fill("25")
    page.get_by_role("button", name="Save it").click()
    page.get_by_text("Give the machine a name").first.wait_for()
    page.get_by_label("Name, such as what stands on its label").fill("DH 7")
    page.get_by_role("button", name="Save it").click()
    page.wait_for_url("**/equipment?saved=set-up")
    site.clock.at += timedelta(days=1)
    page.goto("/jobs/mill-lane-4/equipment")
    page.get_by_label("DH 7").fill("6.5")
    page.context.set_offline(True)
    page.get_by_role("button", name="Save amounts").click()
    page.get_by_text("Not saved yet: no signal").wait_for()
    page.context.set_offline(False)
    page.wait_for_url("**/equipment?saved=water")
    assert "6.5" in page.locator("#there").inner_text()
    site.clock.at += timedelta(days=1)
    page.get_by_role("button", name="Taken out now DH 7").click()
    page.locator("#gone").wait_for()
    assert [item.to_time for item in site.job().equipment] == [site.clock.at.replace(microsecond=0)]


def test_a_check_side_by_side_is_begun_and_ended_by_touch(site: support.Site, opened: Callable[..., Page]) -> None:
    page = opened("/jobs/mill-lane-4/checks", scripts=False)
    page.get_by_label("K7-04").check()
    page.get_by_label("K7-07").check()
    page.get_by_role("button", name="The box is closed: begin").click()
    page.wait_for_url("**/checks/1")
    assert "K7-04, K7-07" in page.locator("h1").inner_text()
    site.clock.at += timedelta(hours=2)
    page.get_by_role("button", name="Open the box; record nothing").click()
    page.get_by_role("link", name="K7-04").wait_for()
    assert [check.to_time for check in site.job().checks] == [site.clock.at.replace(microsecond=0)]


@pytest.mark.parametrize(("width", "scripts"), [(390, False), (1280, True)], ids=["phone, no scripts", "desk"])
def test_a_new_job_is_made_changed_and_ended(
    site: support.Site, opened: Callable[..., Page], width: int, scripts: bool
) -> None:
    page = opened("/new-job", width=width, scripts=scripts)
    page.get_by_label("Name or address").fill("9 Lock Street")
    page.get_by_label("A flooded floor").check()
    page.get_by_label("Time zone").fill("Europe/Nowhere")
    page.get_by_role("button", name="Make the job").click()
    page.get_by_text("is not an IANA time zone").wait_for()
    assert page.get_by_label("Name or address").input_value() == "9 Lock Street"
    page.get_by_label("Time zone").fill("Europe/London")
    page.get_by_role("button", name="Make the job").click()
    page.wait_for_url("**/jobs/9-lock-street/place")
    with site.db.read() as conn:
        made = get_job(conn, "9-lock-street")
    assert made is not None
    assert [(x.kind.value, x.reference) for x in made.locations] == [
        ("room_air", None),
        ("outdoor_air", None),
        ("subfloor_void", "room-air"),
    ]
    assert (made.name, made.timezone, made.start) == ("9 Lock Street", "Europe/London", support.NOW)
    page.goto("/jobs/9-lock-street/edit")
    page.get_by_label("Height above sea level, m").fill("35")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url("**/jobs/9-lock-street")
    exported = site.client().get("/jobs/9-lock-street/job.toml").text
    with site.db.read() as conn:
        changed = get_job(conn, "9-lock-street")
    assert changed is not None
    assert changed.elevation_m == 35.0
    assert parse_job(exported, "toml") == changed, "a job that a form made is exported as a file, and read back"
    site.clock.at += timedelta(hours=1)
    page.goto("/jobs/9-lock-street/edit")
    page.get_by_label("End this job now").check()
    page.get_by_role("button", name="End the job").click()
    page.wait_for_url("**/jobs/9-lock-street")
    with site.db.read() as conn:
        ended = get_job(conn, "9-lock-street")
    assert ended is not None
    assert ended.end == site.clock.at
    assert site.client().get("/jobs/9-lock-street/place").status_code == 409, "nothing is placed in it any more"


def test_a_label_holds_the_link_to_the_form(site: support.Site) -> None:
    import segno

    site.settings = support.Settings.model_validate({"web": {"public_url": "https://drying.example.org"}})
    page = site.client().get("/probes/labels?probe=K7-77").text
    path = segno.make("https://drying.example.org/place?probe=K7-77", error="m", micro=False).svg_inline(
        scale=1, omitsize=True, border=4
    )
    assert path in page
    assert "K7-77" in page
