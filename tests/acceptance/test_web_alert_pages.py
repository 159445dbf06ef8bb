"""The pages of alerts in a real browser: readable by everyone, on a phone and a desk, and usable without scripts.

A missing Chromium fails these tests.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import told_support as support
import web_support
from axe_playwright_python.sync_playwright import Axe
from browsers import PATIENCE_MS
from playwright.sync_api import Browser, Page

from monitord.store import mutes, pauses

SIZES = [(390, "light"), (390, "dark"), (1280, "light"), (1280, "dark")]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[web_support.Site]:
    made = support.told_mill_lane(tmp_path_factory.mktemp("told"))
    yield made
    made.db.close()


@pytest.fixture(scope="module")
def address(site: web_support.Site) -> Iterator[str]:
    with site.served() as url:
        yield url


def opened(browser: Browser, *, width: int = 1280, scripts: bool = True) -> Page:
    context = browser.new_context(
        storage_state=web_support.SIGNED_IN,
        viewport={"width": width, "height": 800},
        java_script_enabled=scripts,
        reduced_motion="reduce",
    )
    context.set_default_timeout(PATIENCE_MS)
    return context.new_page()


def paths(site: web_support.Site) -> list[str]:
    return ["/alerts", support.open_alert(site, "rewetting")[1], "/jobs/quay-9"]


def test_axe_finds_no_violation_with_every_form_open(site: web_support.Site, address: str, browser: Browser) -> None:
    page = opened(browser)
    for path in paths(site):
        page.goto(address + path)
        page.evaluate("document.querySelectorAll('details').forEach((item) => { item.open = true; })")
        for width, scheme in SIZES:
            page.set_viewport_size({"width": width, "height": 800})
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            found = Axe().run(page)
            assert found.violations_count == 0, f"{path} {width} {scheme}: {found.generate_report()}"
    page.context.close()


def test_nothing_scrolls_sideways_and_what_is_touched_is_large_enough_on_a_phone(
    site: web_support.Site, address: str, browser: Browser
) -> None:
    page = opened(browser, width=320)
    for path in paths(site):
        page.goto(address + path)
        page.evaluate("document.querySelectorAll('details').forEach((item) => { item.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, path
        small = page.evaluate(
            """[...document.querySelectorAll('main button, main summary, main select, main input, main .button')]
            .filter((item) => item.getClientRects().length)
            .map((item) => [item.textContent.trim(), item.getBoundingClientRect().height])
            .filter((item) => item[1] < 43)"""  # WCAG 2.2, 2.5.8 asks for 24; ours are 44, but for rounding
        )
        assert small == [], path
    page.context.close()


def test_without_scripts_an_alert_is_muted_the_mute_ended_and_a_job_resumed(tmp_path: Path, browser: Browser) -> None:
    site = support.told_mill_lane(tmp_path)
    with site.served() as url:
        page = opened(browser, width=390, scripts=False)
        page.goto(url + support.open_alert(site, "rewetting")[1])
        page.locator("summary", has_text="Mute").click()
        form = page.locator("details[id^=mute-] form")
        form.get_by_label("What").select_option(label="Everything at this location")
        form.get_by_label("For").select_option(label="three days")
        form.get_by_label("Why").fill("the plumber is there")
        form.get_by_role("button").click()
        page.wait_for_url(url + "/alerts#mutes")
        row = page.locator("#mutes tr", has_text="the plumber is there")
        row.locator("summary").click()
        row.get_by_role("button").click()
        page.wait_for_url(url + "/alerts#mutes")
        assert page.locator("#mutes tr", has_text="the plumber is there").count() == 0
        page.goto(url + "/jobs/quay-9")
        page.locator("#resume > summary").click()
        page.locator("#resume").get_by_role("button").click()
        page.wait_for_url(url + "/jobs/quay-9#plate")
        page.context.close()
    with site.db.read() as conn:
        made = next(m for m in mutes.mutes(conn) if m.author == "Test owner")
        assert (made.ended_by, [m.pattern for m in made.matchers]) == ("Test owner", ["mill-lane-4", "utility"])
        assert pauses.standing(conn, support.NOW) == {}
    site.db.close()
