"""Every page in a real browser, one site served for all: accessible, by keyboard, on a narrow screen, whole on paper.

320 CSS px is what 1280 px leave at 400 % zoom (WCAG 2.2, 1.4.10). Paper: A4 by ISO 216 with margins of 14 mm.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pypdf
import pytest
import web_support as support
from axe_playwright_python.sync_playwright import Axe
from browsers import PATIENCE_MS
from PIL import Image
from playwright.sync_api import Browser, Page

from monitord.model.config.settings import Settings
from monitord.model.site.checks import ProbeCheck
from monitord.model.site.equipment import Equipment, Water
from monitord.model.site.plan import Plan, PlanPoint
from monitord.model.site.spots import Spot, SpotGoal, SpotKind
from monitord.store import jobs, notes
from monitord.web.photos import photo_of

JOB = "/jobs/mill-lane-4"
ALERT = f"/alerts/{support.alerts()[0].fingerprint}/1"
SIGNED_OUT = ("/sign-in", "client")
PAGES = (
    "/",
    JOB,
    f"{JOB}/locations/utility",
    f"{JOB}/locations/reveal?before=2026-11-04T09:00:00Z",
    f"{JOB}/locations/utility/edit",
    f"{JOB}/locations/living-air/edit",
    f"{JOB}/readiness",
    f"{JOB}/place",
    f"{JOB}/place?probe=K7-77",
    f"{JOB}/round",
    f"{JOB}/round?method=surface",
    f"{JOB}/round?method=plaster",
    f"{JOB}/notes",
    f"{JOB}/plan",
    f"{JOB}/equipment",
    f"{JOB}/equipment/new",
    f"{JOB}/checks",
    f"{JOB}/checks/1",
    f"{JOB}/slabs/new",
    f"{JOB}/calibrations",
    f"{JOB}/share",
    f"{JOB}/edit",
    "/new-job",
    "/alerts",
    ALERT,
    "/probes",
    "/probes/labels",
    "/glossary",
    "/settings",
    "/settings/people",
    "/settings/changes",
    "/settings/channels",
    "/settings/defaults",
    "/settings/rules",
    "/nowhere",
    *SIGNED_OUT,
)
SIZES = [(390, "light"), (1280, "dark")]
"""Colours differ by the scheme and layouts by the width: each once."""
BY_TAB = ("/", f"{JOB}/round", "/sign-in")
"""Walked through by the key itself: a list, a long form, and a page for whoever is not signed in."""
A4_PX = int((210.0 - 28.0) / 25.4 * 96.0)


def filled(folder: Path) -> support.Site:
    """Mill Lane 4 with a note, a plan, equipment, a check under way, spot readings, a goal for them, and channels."""
    site = support.mill_lane(folder, step_s=14_400.0)
    alerts = {
        "channels": [{"name": "mail", "url": "log://"}],
        "people": [{"id": "anna", "ways": [{"channel": "mail"}]}],
    }
    site.settings = Settings.model_validate({"alerts": alerts})
    held, now = io.BytesIO(), site.clock.now()
    Image.new("RGB", (800, 600), "navy").save(held, "JPEG")
    made = photo_of(held)
    machine = {"id": "dh-7", "kind": "dehumidifier", "location_id": "living-air", "from": support.START}
    drier = Equipment.model_validate(machine | {"rated_l_per_day": 25.0, "water": (Water(at=now, litres=9.5),)})
    check = ProbeCheck.model_validate({"kind": "side_by_side", "probes": ("K7-01", "K7-04"), "from": now})
    goal = SpotGoal(kind=SpotKind.PLASTER, limit=0.5, control="bed")
    places = tuple(
        place.model_copy(update={"spot_goal": goal}) if place.id == "utility" else place
        for place in support.MILL_LANE.locations
    )
    spot = Spot(location_id="utility", at=now - timedelta(days=1), kind=SpotKind.PLASTER, value=1.3)
    update: dict[str, object] = {"equipment": (drier,), "checks": (check,), "spots": (spot,), "locations": places}
    photo = notes.NewPicture(made.jpeg, made.small, made.width, made.height)
    points = (PlanPoint(location="utility", x=300, y=400), PlanPoint(location="hall", x=900, y=950))
    update["plan"] = Plan(photo=notes.digest_of(photo), points=points)
    with site.db.write() as conn:
        jobs.apply_job(conn, support.MILL_LANE.model_copy(update=update))
        notes.add_note(conn, "mill-lane-4", "utility", now, "R. Okafor", "Stain behind the unit", [photo])
    return site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[support.Site]:
    made = filled(tmp_path_factory.mktemp("every"))
    yield made
    made.db.close()


@pytest.fixture(scope="module")
def client_link(site: support.Site) -> str:
    owner = site.client()
    owner.post(f"{JOB}/share", data={"given_to": "H. Lowe", "days": "30"})
    found = re.search(r"<code>(/c/[^<]+)</code>", owner.get(f"{JOB}/share").text)
    assert found is not None
    return found[1]


@pytest.fixture(scope="module")
def windows(site: support.Site, browser: Browser, client_link: str) -> Iterator[dict[bool, Page]]:
    """A window that is signed in, and one that is not."""
    with site.served() as url:
        made = {}
        for signed_in in (True, False):
            context = browser.new_context(
                storage_state=support.SIGNED_IN if signed_in else None, reduced_motion="reduce", base_url=url
            )
            context.set_default_timeout(PATIENCE_MS)
            made[signed_in] = context.new_page()
        yield made
        for page in made.values():
            page.context.close()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_accessible_narrow_and_whole_on_paper(windows: dict[bool, Page], client_link: str, path: str) -> None:
    page = windows[path not in SIGNED_OUT]
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.set_viewport_size({"width": 390, "height": 800})
    page.emulate_media(media="screen", color_scheme="light")
    answer = page.goto(client_link if path == "client" else path)
    assert answer is not None
    assert answer.status == (404 if path == "/nowhere" else 200)
    page.evaluate("document.querySelectorAll('details').forEach((item) => { item.open = true; })")
    assert keyboard_faults(page) == []
    if path in BY_TAB:
        assert walked_by_tab(page) == []
    for width, scheme in SIZES:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        found = Axe().run(page)
        assert found.violations_count == 0, f"{path} {width} {scheme}: {found.generate_report()}"
    page.set_viewport_size({"width": 320, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    assert small_targets(page) == []
    assert beside_the_paper(page) == []
    paper = pypdf.PdfReader(
        io.BytesIO(page.pdf(format="A4", margin=dict.fromkeys(("top", "bottom", "left", "right"), "14mm")))
    )
    heading = " ".join(page.locator("h1").first.inner_text().split())
    printed = " ".join(" ".join(sheet.extract_text() for sheet in paper.pages).split())
    assert "".join(heading.split()) in "".join(printed.split())
    assert complaints == []


_FOCUSABLE = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]"


def keyboard_faults(page: Page) -> list[str]:
    """What a keyboard does not reach, reaches out of order or unseen, or that shows no focus (WCAG 2.2: 2.1.1, 2.4.1,
    2.4.3, 2.4.7). Each kind of element is focused once, after a Tab, so that the browser shows focus as to a keyboard.
    """
    page.keyboard.press("Tab")
    found: list[str] = page.evaluate(
        """(focusable) => {
        const faults = [], kinds = new Set(), skip = document.querySelector('.skip');
        const style = (item) => getComputedStyle(item), box = (item) => item.getBoundingClientRect();
        const shown = skip !== null && document.activeElement === skip && box(skip).left >= 0;
        if (!shown && document.querySelector('header.bar')) faults.push('the skip link is not first');
        for (const item of document.querySelectorAll(focusable)) {
            const kind = `${item.tagName} ${item.getAttribute('class')} ${item.type}`;
            const fault = (what) => faults.push(`${what}: ${kind} ${item.textContent.trim().slice(0, 40)}`);
            if (item.tabIndex > 0) fault('out of order');
            if (item.disabled || !item.getClientRects().length || style(item).visibility === 'hidden') continue;
            if (item.tabIndex < 0 && item.id !== 'main') fault('not reached by Tab');
            if (item.closest('[aria-hidden=true], [inert]')) fault('hidden, and reached');
            if (item.id === 'main' || kinds.has(kind)) continue;
            kinds.add(kind);
            item.focus({preventScroll: true});
            if (document.activeElement !== item) fault('takes no focus');
            else if (style(item).outlineStyle === 'none' || parseFloat(style(item).outlineWidth) < 2) fault('no focus');
            if (box(item).width < 1 || box(item).right < 0) fault('out of sight');
        }
        return faults;
        }""",
        _FOCUSABLE,
    )
    return found


def walked_by_tab(page: Page) -> list[str]:
    """What Tab does not come to in the order of the page; and whether the skip link leads to the content."""
    count: int = page.evaluate(
        """(focusable) => {
        const wanted = [...document.querySelectorAll(focusable)].filter((item) => item.tabIndex >= 0 && !item.disabled
            && item.getClientRects().length && !(item.type === 'radio' && !item.checked));
        window.missed = wanted.map((item) => `${item.tagName} ${item.textContent.trim().slice(0, 40)}`);
        const order = [];
        document.addEventListener('focusin', (event) => {
            order.push(wanted.indexOf(event.target));
            window.missed = wanted.filter((_, place) => order[place] !== place).map((item) => item.outerHTML);
        });
        document.activeElement.blur();
        wanted[0].focus();
        return wanted.length;
        }""",
        _FOCUSABLE,
    )
    for _ in range(count - 1):
        page.keyboard.press("Tab")
    missed: list[str] = page.evaluate("window.missed")
    page.evaluate("document.querySelector('.skip').focus()")
    page.keyboard.press("Enter")
    return missed + ([] if page.evaluate("document.activeElement.id") == "main" else ["the skip link"])


def small_targets(page: Page) -> list[list[object]]:
    """Buttons and choices under 44 px, but for rounding; WCAG 2.2, 2.5.8 asks for 24."""
    found: list[list[object]] = page.evaluate(
        """[...document.querySelectorAll('main button, main summary, main select, main .button, main .choice')]
        .filter((item) => item.getClientRects().length)
        .map((item) => [item.textContent.trim(), item.getBoundingClientRect().height])
        .filter((item) => item[1] < 43)"""
    )
    return found


def beside_the_paper(page: Page) -> list[str]:
    """What stands beside an A4 page when it is printed."""
    page.emulate_media(media="print", color_scheme="light")
    page.set_viewport_size({"width": A4_PX, "height": 1000})
    found: list[str] = page.evaluate(
        """(right) => [...document.querySelectorAll('main *')]
        .filter((item) => item.getClientRects().length && item.getBoundingClientRect().right > right + 1)
        .filter((item) => !item.closest('.off-screen, svg'))
        .map((item) => `${item.tagName} ${item.className}: ${item.textContent.trim().slice(0, 40)}`)""",
        A4_PX,
    )
    return found
